/* frames.c - files of a stack: names, putting originals away, finding them again; and the cache in derived/.
 */
#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

#include "base/fs.h"
#include "store/folder.h"
#include "store/hash.h"
#include "store/inner.h"

#define DERIVED_LARGEST ((size_t)1 << 28)

/* Endings in use for undeveloped sensor data (common practice, no source); LibRaw decides what is inside. */
static const char *const raw_endings[] = {"3fr", "arw", "cr2", "cr3", "crw", "dcr", "dng", "erf", "iiq",
                                          "kdc", "mef", "mos", "mrw", "nef", "nrw", "orf", "pef", "raf",
                                          "raw", "rw2", "rwl", "sr2", "srf", "srw", "x3f", NULL};
static const char *const jpeg_endings[] = {"jpg", "jpeg", "jpe", NULL};
static const char *const other_endings[] = {"png", "tif", "tiff", NULL};

static bool ends_in(const char *name, const char *const *endings)
{
    const char *dot = strrchr(name, '.');
    for (; dot && *endings; endings++)
        if (!strcasecmp(dot + 1, *endings)) return true;
    return false;
}

enum file_role store_role_by_name(const char *name)
{
    if (ends_in(name, jpeg_endings)) return FILE_JPEG;
    return ends_in(name, raw_endings) ? FILE_RAW : FILE_OTHER;
}

bool store_picture_by_name(const char *name)
{
    return ends_in(name, jpeg_endings) || ends_in(name, raw_endings) || ends_in(name, other_endings);
}

static struct file_row row_of(const char *name, const void *bytes, size_t count)
{
    struct file_row row = {.role = store_role_by_name(name),
                           .bytes = (int64_t)count,
                           .captured_wall_us = STACK_NONE,
                           .exposure_us = STACK_NONE};
    snprintf(row.name, sizeof row.name, "%s", name);
    sha256_bytes(bytes, count, row.sha256);
    return row;
}

int store_put_frame(struct store *st, const char *name, const void *bytes, size_t count, struct file_row *out,
                    struct err *why)
{
    int rc = store_may_write(st, why);
    if (!rc && !folder_name_ok(name)) rc = fail(why, E_INPUT, "a frame's file needs a plain name");
    if (!rc) rc = fs_put(st->frames, name, bytes, count, 0444, why);
    if (!rc) *out = row_of(name, bytes, count);
    return rc;
}

int store_adopt_frame(struct store *st, const char *name, size_t most, struct file_row *out,
                      uint8_t **bytes_out, struct err *why)
{
    char path[PATH_MAX];
    size_t count;
    int rc = store_may_write(st, why);
    if (!rc) rc = store_frame_path(st, name, path, sizeof path, why);
    if (!rc) rc = fs_sync_dir(st->frames, why);
    if (!rc) rc = fs_read(path, most, bytes_out, &count, why);
    if (!rc) *out = row_of(name, *bytes_out, count);
    return rc;
}

int store_frame_name(char *out, size_t room, const struct exposure_row *e, const char *ext, struct err *why)
{
    static const char *const others[] = {"", "closing", "reference", "test"};
    char stem[48], retake[16] = "", bracket[16] = "";
    if (e->purpose == PURPOSE_STACK)
        snprintf(stem, sizeof stem, "s%04d", (int)e->slice);
    else
        snprintf(stem, sizeof stem, "%s", others[e->purpose]);
    if (e->bracket > 0) snprintf(bracket, sizeof bracket, "_b%d", (int)e->bracket);
    if (e->attempt > 1) snprintf(retake, sizeof retake, "_t%d", (int)e->attempt);
    const int n = snprintf(out, room, "%s%s%s.%s", stem, bracket, retake, ext);
    if (n < 0 || (size_t)n >= room || !folder_name_ok(out))
        return fail(why, E_INPUT, "%.40s: no good ending for a file", ext);
    return E_OK;
}

int store_frame_path(struct store *st, const char *name, char *out, size_t room, struct err *why)
{
    char path[PATH_MAX];
    if (!folder_name_ok(name)) return store_damaged(why, "a file with a name that leads elsewhere");
    int rc = fs_join(path, sizeof path, st->frames, name, why);
    if (rc) return rc;
    if (!folder_is_file(path))
        return fail(why, E_DAMAGED,
                    "%s: the frame is missing; put the file back, or use a copy of the stack folder", path);
    return fs_join(out, room, st->frames, name, why);
}

int store_derived_put(struct store *st, const char *name, const void *bytes, size_t count, struct err *why)
{
    if (!folder_name_ok(name)) return fail(why, E_INPUT, "%.60s: no good name for the cache", name);
    if (!fs_exists(st->derived)) {
        int rc = fs_make_dir(st->derived, why);
        if (rc && rc != E_STATE) return rc; /* another process was quicker: fine */
    }
    if (!folder_is_dir(st->derived)) return fail(why, E_IO, "%s: is no folder; remove it", st->derived);
    return fs_replace(st->derived, name, bytes, count, why);
}

int store_derived_get(struct store *st, const char *name, uint8_t **bytes_out, size_t *count_out,
                      struct err *why)
{
    char path[PATH_MAX];
    if (!folder_name_ok(name)) return fail(why, E_INPUT, "%.60s: no good name for the cache", name);
    int rc = fs_join(path, sizeof path, st->derived, name, why);
    if (!rc && (!folder_is_dir(st->derived) || !folder_is_file(path)))
        rc = fail(why, E_INPUT, "%s: not there", path);
    return rc ? rc : fs_read(path, DERIVED_LARGEST, bytes_out, count_out, why);
}
