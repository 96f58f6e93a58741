/* handover_verify.c - is a hand-over still what it was? The manifest is read strictly: what Staddle wrote, or
 * refused. */
#include <dirent.h>
#include <limits.h>
#include <stdlib.h>
#include <string.h>

#include "base/fs.h"
#include "base/mem.h"
#include "report/handover.h"
#include "store/folder.h"
#include "store/hash.h"
#include "store/reference.h"

#define BESIDE           REFERENCE_FOLDER "/" /* the one folder that a hand-over may have */
#define MANIFEST_LARGEST ((size_t)16 << 20)

struct line {
    char sha256[SHA256_ROOM];
    char name[320];
};

struct manifest {
    struct line *lines;
    int32_t count;
};

static int add(struct handover_check *c, enum handover_fault fault, const char *name, struct err *why)
{
    if (c->count == c->room) {
        const int32_t room = c->room ? 2 * c->room : 16;
        void *rows = mem_grow(c->rows, (size_t)c->room, (size_t)room, sizeof *c->rows, why);
        if (!rows) return E_NOMEM;
        c->rows = rows;
        c->room = room;
    }
    c->rows[c->count].fault = fault;
    snprintf(c->rows[c->count++].name, sizeof c->rows->name, "%s", name);
    return E_OK;
}

static bool is_hex(const char *text, size_t n)
{
    return strspn(text, "0123456789abcdef") >= n;
}

/* One line "<64 hex>  <name>", without its end. */
static bool read_line(const char *text, size_t n, struct line *out)
{
    const size_t hex = SHA256_ROOM - 1;
    if (n < hex + 3 || n - hex - 2 >= sizeof out->name || memchr(text, '\0', n)) return false;
    if (!is_hex(text, hex) || memcmp(text + hex, "  ", 2) != 0) return false;
    snprintf(out->sha256, sizeof out->sha256, "%.*s", (int)hex, text);
    snprintf(out->name, sizeof out->name, "%.*s", (int)(n - hex - 2), text + hex + 2);
    return folder_name_ok(strncmp(out->name, BESIDE, sizeof BESIDE - 1) ? out->name
                                                                        : out->name + sizeof BESIDE - 1);
}

static int parse(const char *path, const char *text, size_t size, struct manifest *m, struct err *why)
{
    const char *end = text + size;
    int32_t number = 1;
    for (const char *p = text; p < end; number++) {
        const char *stop = memchr(p, '\n', (size_t)(end - p));
        if (!stop || !read_line(p, (size_t)(stop - p), &m->lines[m->count]))
            return fail(why, E_INPUT, "%s:%d: not a line of a manifest; name the folder of a hand-over", path,
                        (int)number);
        m->count++;
        p = stop + 1;
    }
    return m->count ? E_OK : fail(why, E_INPUT, "%s: empty; name the folder of a hand-over", path);
}

static size_t count_lines(const uint8_t *text, size_t size)
{
    size_t n = 1;
    for (size_t i = 0; i < size; i++)
        n += text[i] == '\n';
    return n;
}

static int read_manifest(const char *dir, struct manifest *m, struct err *why)
{
    char path[PATH_MAX];
    uint8_t *text;
    size_t size;
    int rc = fs_join(path, sizeof path, dir, HANDOVER_MANIFEST, why);
    if (!rc && !folder_is_file(path))
        rc = fail(why, E_INPUT, "%s: no hand-over (it has no " HANDOVER_MANIFEST "); name one", dir);
    if (!rc) rc = fs_read(path, MANIFEST_LARGEST, &text, &size, why);
    if (rc) return rc;
    m->lines = mem_new(count_lines(text, size), sizeof *m->lines, why);
    rc = m->lines ? parse(path, (const char *)text, size, m, why) : E_NOMEM;
    mem_free(text);
    if (rc) mem_free(m->lines);
    return rc;
}

static int check_file(const char *dir, const struct line *l, struct handover_check *c, struct err *why)
{
    char path[PATH_MAX], sha256[SHA256_ROOM];
    int rc = fs_join(path, sizeof path, dir, l->name, why);
    if (rc) return rc;
    if (!fs_exists(path)) return add(c, HANDOVER_MISSING, l->name, why);
    if (!folder_is_file(path)) return add(c, HANDOVER_CHANGED, l->name, why);
    rc = sha256_file(path, sha256, NULL, why);
    if (!rc && strcmp(sha256, l->sha256) != 0) rc = add(c, HANDOVER_CHANGED, l->name, why);
    return rc;
}

static int compare_lines(const void *a, const void *b)
{
    return strcmp(((const struct line *)a)->name, ((const struct line *)b)->name);
}

static int compare_differences(const void *a, const void *b)
{
    return strcmp(((const struct handover_difference *)a)->name,
                  ((const struct handover_difference *)b)->name);
}

static bool is_own(const char *name, const struct manifest *m)
{
    if (!strcmp(name, ".") || !strcmp(name, "..") || !strcmp(name, HANDOVER_MANIFEST)) return true;
    for (int32_t i = 0; !strcmp(name, REFERENCE_FOLDER) && i < m->count; i++)
        if (!strncmp(m->lines[i].name, BESIDE, sizeof BESIDE - 1)) return true;
    return false;
}

/* What lies in the folder and not in the manifest; `before`: how the manifest calls the folder. */
static int find_extra(const char *dir, const char *before, const struct manifest *m, struct handover_check *c,
                      struct err *why)
{
    DIR *d = opendir(dir);
    if (!d) return *before ? E_OK : fail_errno(why, E_INPUT, "%s: cannot open the folder", dir);
    int rc = E_OK;
    for (struct dirent *e; !rc && (e = readdir(d));) {
        struct line key;
        if (*before ? !strcmp(e->d_name, ".") || !strcmp(e->d_name, "..") : is_own(e->d_name, m)) continue;
        snprintf(key.name, sizeof key.name, "%s%s", before, e->d_name);
        if (!bsearch(&key, m->lines, (size_t)m->count, sizeof key, compare_lines))
            rc = add(c, HANDOVER_EXTRA, key.name, why);
    }
    closedir(d);
    return rc;
}

int handover_verify(const char *dir, struct handover_check *out, struct err *why)
{
    struct manifest m = {0};
    struct handover_check c = {0};
    char beside[PATH_MAX];
    int rc = read_manifest(dir, &m, why);
    if (rc) return rc;
    qsort(m.lines, (size_t)m.count, sizeof *m.lines, compare_lines);
    c.files = m.count;
    for (int32_t i = 0; i < m.count && !rc; i++)
        rc = check_file(dir, &m.lines[i], &c, why);
    if (!rc) rc = find_extra(dir, "", &m, &c, why);
    if (!rc) rc = fs_join(beside, sizeof beside, dir, REFERENCE_FOLDER, why);
    if (!rc && folder_is_dir(beside) && is_own(REFERENCE_FOLDER, &m))
        rc = find_extra(beside, BESIDE, &m, &c, why);
    if (!rc && c.count) qsort(c.rows, (size_t)c.count, sizeof *c.rows, compare_differences);
    mem_free(m.lines);
    if (rc)
        handover_check_clear(&c);
    else
        *out = c;
    return rc;
}

void handover_check_clear(struct handover_check *c)
{
    mem_free(c->rows);
    memset(c, 0, sizeof *c);
}
