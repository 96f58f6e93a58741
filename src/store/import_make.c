/* import_make.c - a scanned folder becomes a stack: copied, read again, and renamed into place when all is
 * there. */
#include <string.h>

#include "base/fs.h"
#include "base/mem.h"
#include "store/folder.h"
#include "store/hash.h"
#include "store/import.h"
#include "store/import_pair.h"
#include "store/inner.h"
#include "store/reference.h"

void import_ending(const char *name, char *out, size_t room)
{
    snprintf(out, room, "%s", strrchr(name, '.') + 1);
    for (char *p = out; *p; p++)
        if (*p >= 'A' && *p <= 'Z') *p = (char)(*p + 32);
}

int import_copy_file(const struct import_list *l, struct store *st, const struct import_file *f,
                     const struct file_row *row, struct err *why)
{
    char from[PATH_MAX], to[PATH_MAX], sha256[SHA256_ROOM];
    int rc = fs_join(from, sizeof from, l->folder, f->name, why);
    if (!rc) rc = fs_join(to, sizeof to, st->frames, row->name, why);
    if (!rc) rc = fs_copy(from, to, 0444, why);
    if (!rc) rc = sha256_file(to, sha256, NULL, why);
    if (!rc && strcmp(sha256, row->sha256) != 0)
        rc = fail(why, E_IO, "%s: changed while it was copied, or the disk errs; import again", from);
    return rc;
}

static int copy_frame(const struct import_list *l, struct store *st, const struct import_entry *e,
                      struct imported_frame *out, struct err *why)
{
    const struct exposure_row as = {.purpose = PURPOSE_STACK, .slice = out->slice, .attempt = 1};
    int rc = E_OK;
    out->file_count = e->file_count;
    for (int k = 0; k < e->file_count && !rc; k++) {
        char ending[16];
        import_ending(e->files[k].name, ending, sizeof ending);
        out->files[k] = e->files[k].row;
        snprintf(out->files[k].object_name, sizeof out->files[k].object_name, "%s", e->files[k].name);
        rc = store_frame_name(out->files[k].name, sizeof out->files[k].name, &as, ending, why);
        if (!rc) rc = import_copy_file(l, st, &e->files[k], &out->files[k], why);
    }
    return rc;
}

/* Slices are numbered near to far, so that those of a far-first stack count down. */
static int copy_all(const struct import_list *l, struct store *st, const struct stack_info *info,
                    struct imported_frame *rows, struct err *why)
{
    int64_t plan_id;
    int rc = E_OK;
    for (int32_t i = 0; i < l->count && !rc; i++) {
        rows[i].slice = info->order == ORDER_FAR_FIRST ? l->count - i : i + 1;
        rc = copy_frame(l, st, &l->frames[i], &rows[i], why);
    }
    return rc ? rc : store_add_imported(st, rows, l->count, info->created_wall_us, &plan_id, why);
}

/* Beside the order: an exposure of its own, of which nobody knows when it began. */
static int copy_quiet(const struct import_list *l, struct store *st, struct err *why)
{
    struct import_list from = {0};
    struct file_row row = l->quiet.row;
    char ending[16];
    struct exposure_row as = {.purpose = PURPOSE_REFERENCE,
                              .plan_id = STACK_NONE,
                              .nonce = STACK_NONE,
                              .fire_seq = STACK_NONE,
                              .camera_epoch = STACK_NONE,
                              .reached_counts = STACK_NONE,
                              .settle_us = STACK_NONE,
                              .triggered_at_us = STACK_NONE,
                              .exposure_us = row.exposure_us};
    if (!l->quiet_given) return E_OK;
    snprintf(from.folder, sizeof from.folder, "%s", l->quiet_folder);
    snprintf(row.object_name, sizeof row.object_name, "%s", l->quiet.name);
    import_ending(l->quiet.name, ending, sizeof ending);
    int rc = reference_name(REFERENCE_QUIET, 1, ending, row.name, sizeof row.name, why);
    if (!rc) rc = import_copy_file(&from, st, &l->quiet, &row, why);
    if (!rc) rc = store_exposure_begin(st, &as, why);
    if (!rc) rc = store_exposure_seen(st, as.id, l->quiet.name, row.bytes, why);
    return rc ? rc : store_exposure_kept(st, as.id, &row, 1, why);
}

int import_make(const struct import_list *l, const char *dir, const struct stack_info *info, struct err *why)
{
    char part[PATH_MAX];
    struct store *st = NULL;
    struct imported_frame *rows = mem_new((size_t)l->count, sizeof *rows, why);
    if (!rows) return E_NOMEM;
    int rc = folder_begin(dir, part, sizeof part, why);
    if (rc) goto out;
    rc = store_fill(part, info, &st, why);
    if (!rc) rc = copy_all(l, st, info, rows, why);
    if (!rc) rc = copy_quiet(l, st, why);
    if (!rc) rc = fs_sync_dir(st->frames, why);
    store_close(st);
    if (!rc) rc = folder_finish(part, dir, why);
    if (rc) folder_drop(part);
out:
    mem_free(rows);
    return rc;
}
