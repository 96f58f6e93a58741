/* import_scan.c - what is in a folder of frames: read, paired, put in order, and refused where it cannot be a
 * stack. */
#include <dirent.h>
#include <errno.h>
#include <limits.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>

#include "base/fs.h"
#include "base/mem.h"
#include "image/decode.h"
#include "image/whole.h"
#include "staddle/plan.h"
#include "store/folder.h"
#include "store/hash.h"
#include "store/import.h"
#include "store/store.h"

struct name_list {
    char (*rows)[256];
    int32_t count, room;
};

static bool digit(char c)
{
    return c >= '0' && c <= '9';
}

/* Compares two runs of digits as numbers of any length, and moves both pointers behind them. */
static int compare_numbers(const char **a, const char **b)
{
    while (**a == '0')
        ++*a;
    while (**b == '0')
        ++*b;
    size_t na = 0, nb = 0;
    while (digit((*a)[na]))
        na++;
    while (digit((*b)[nb]))
        nb++;
    const int r = na != nb ? (na < nb ? -1 : 1) : memcmp(*a, *b, na);
    *a += na;
    *b += nb;
    return r;
}

static unsigned char lower(char c)
{
    return (unsigned char)(c >= 'A' && c <= 'Z' ? c + 32 : c);
}

int import_compare_names(const char *a, const char *b)
{
    const char *p = a, *q = b;
    while (*p && *q) {
        if (digit(*p) && digit(*q)) {
            const int r = compare_numbers(&p, &q);
            if (r) return r;
        } else {
            if (lower(*p) != lower(*q)) return lower(*p) < lower(*q) ? -1 : 1;
            p++;
            q++;
        }
    }
    if (*p || *q) return *p ? 1 : -1;
    return strcmp(a, b); /* "01" and "1" differ, "a" and "A", too */
}

static int by_name(const void *a, const void *b)
{
    return import_compare_names(a, b);
}

static void *one_more(void *rows, int32_t count, int32_t *room, size_t size, struct err *why)
{
    if (count < *room) return rows;
    const int32_t more = *room ? 2 * *room : 64;
    void *grown = mem_grow(rows, (size_t)*room, (size_t)more, size, why);
    if (grown) *room = more;
    return grown;
}

static int skip(struct import_list *l, const char *name, const char *reason, struct err *why)
{
    struct import_skipped *rows = one_more(l->skipped, l->skipped_count, &l->skipped_room, sizeof *rows, why);
    if (!rows) return E_NOMEM;
    l->skipped = rows;
    struct import_skipped *s = &rows[l->skipped_count++];
    snprintf(s->name, sizeof s->name, "%s", name);
    s->why = reason;
    return E_OK;
}

static int take_name(struct import_list *l, struct name_list *names, const char *name, struct err *why)
{
    char path[PATH_MAX];
    int rc = fs_join(path, sizeof path, l->folder, name, why);
    if (rc) return rc;
    if (folder_is_dir(path)) return skip(l, name, "a folder", why);
    if (!folder_is_file(path)) return skip(l, name, "a link or a device", why);
    if (!folder_name_ok(name)) return skip(l, name, "hidden", why);
    if (!store_picture_by_name(name)) return skip(l, name, "no picture by its name", why);
    void *rows = one_more(names->rows, names->count, &names->room, sizeof *names->rows, why);
    if (!rows) return E_NOMEM;
    names->rows = rows;
    snprintf(names->rows[names->count++], sizeof *names->rows, "%s", name);
    return E_OK;
}

static size_t stem_length(const char *name)
{
    return (size_t)(strrchr(name, '.') - name); /* a picture's name has an ending */
}

static bool one_stem(const char *a, const char *b)
{
    const size_t n = stem_length(a);
    return n == stem_length(b) && !strncasecmp(a, b, n);
}

static int by_stem(const void *a, const void *b)
{
    char p[256], q[256];
    snprintf(p, sizeof p, "%.*s", (int)stem_length(a), (const char *)a);
    snprintf(q, sizeof q, "%.*s", (int)stem_length(b), (const char *)b);
    const int r = import_compare_names(p, q);
    return r ? r : strcmp(a, b);
}

static int list_names(struct import_list *l, struct name_list *names, struct err *why)
{
    DIR *d = opendir(l->folder);
    if (!d) return fail_errno(why, E_INPUT, "%s: cannot open the folder", l->folder);
    int rc = E_OK;
    for (struct dirent *e; !rc && (e = readdir(d));)
        if (strcmp(e->d_name, ".") != 0 && strcmp(e->d_name, "..") != 0)
            rc = take_name(l, names, e->d_name, why);
    closedir(d);
    if (names->count) qsort(names->rows, (size_t)names->count, sizeof *names->rows, by_stem);
    if (l->skipped_count) qsort(l->skipped, (size_t)l->skipped_count, sizeof *l->skipped, by_name);
    return rc;
}

static bool is_raw(const char *name)
{
    return store_role_by_name(name) == FILE_RAW;
}

/* Puts a name into the frame of its stem, the raw behind the developed picture. */
static int pair(struct import_list *l, const char *name, struct err *why)
{
    struct import_entry *last = l->count ? &l->frames[l->count - 1] : NULL;
    if (last && one_stem(last->files[0].name, name)) {
        if (last->file_count == 2 || is_raw(last->files[0].name) == is_raw(name))
            return fail(why, E_INPUT, "%s/%s: a second picture of that name beside %s; move one of them away",
                        l->folder, name, last->files[0].name);
        const int at = is_raw(name) ? 1 : 0;
        if (at == 0) last->files[1] = last->files[0];
        snprintf(last->files[at].name, sizeof last->files[at].name, "%s", name);
        last->file_count = 2;
        return E_OK;
    }
    if (l->count == PLAN_SLICES_MOST)
        return fail(why, E_INPUT,
                    "%s: more than %d frames; a stack has at most that many, import it in parts", l->folder,
                    PLAN_SLICES_MOST);
    struct import_entry *rows = one_more(l->frames, l->count, &l->room, sizeof *rows, why);
    if (!rows) return E_NOMEM;
    l->frames = rows;
    struct import_entry *f = &rows[l->count++];
    memset(f, 0, sizeof *f);
    snprintf(f->files[0].name, sizeof f->files[0].name, "%s", name);
    f->file_count = 1;
    return E_OK;
}

static int read_file(const struct import_list *l, struct import_file *f, struct err *why)
{
    char path[PATH_MAX];
    uint8_t *bytes;
    size_t count;
    struct image_facts facts;
    int rc = fs_join(path, sizeof path, l->folder, f->name, why);
    if (!rc) rc = fs_read(path, IMPORT_FILE_LARGEST, &bytes, &count, why);
    if (rc) return rc;
    rc = image_read_facts(path, bytes, count, &facts, why);
    if (!rc) rc = image_check_whole(path, bytes, count, why);
    if (!rc) {
        f->row = (struct file_row){.role = facts.kind == IMAGE_JPEG  ? FILE_JPEG
                                           : facts.kind == IMAGE_RAW ? FILE_RAW
                                                                     : FILE_OTHER,
                                   .bytes = (int64_t)count,
                                   .captured_wall_us = facts.captured_wall_us,
                                   .width_px = facts.width_px,
                                   .height_px = facts.height_px,
                                   .exposure_us = facts.exposure_us ? facts.exposure_us : STACK_NONE,
                                   .f_number = facts.f_number,
                                   .iso = facts.iso};
        sha256_bytes(bytes, count, f->row.sha256);
    }
    mem_free(bytes);
    return rc;
}

static int check_size(struct import_list *l, const struct import_entry *f, struct err *why)
{
    const struct file_row *r = &f->files[0].row;
    if (!l->width_px) {
        l->width_px = r->width_px;
        l->height_px = r->height_px;
    }
    if (r->width_px == l->width_px && r->height_px == l->height_px) return E_OK;
    return fail(why, E_INPUT,
                "%s/%s: %d x %d pixels, %s has %d x %d; a stack has one size, move the others away",
                l->folder, f->files[0].name, (int)r->width_px, (int)r->height_px, l->frames[0].files[0].name,
                (int)l->width_px, (int)l->height_px);
}

static int read_all(struct import_list *l, struct err *why)
{
    int rc = E_OK;
    for (int32_t i = 0; i < l->count && !rc; i++) {
        for (int k = 0; k < l->frames[i].file_count && !rc; k++)
            rc = read_file(l, &l->frames[i].files[k], why);
        if (!rc) rc = check_size(l, &l->frames[i], why);
    }
    return rc;
}

static int by_time_then_name(const void *a, const void *b)
{
    const struct import_entry *p = a, *q = b;
    const int64_t s = p->files[0].row.captured_wall_us, t = q->files[0].row.captured_wall_us;
    if (s != t) return s < t ? -1 : 1;
    return by_stem(p->files[0].name, q->files[0].name);
}

/* Names sorted already; a clock that some frames lack cannot order them. */
static void put_in_order(struct import_list *l)
{
    l->by_time = true;
    for (int32_t i = 0; i < l->count; i++)
        if (l->frames[i].files[0].row.captured_wall_us == STACK_NONE) l->by_time = false;
    if (l->by_time) qsort(l->frames, (size_t)l->count, sizeof *l->frames, by_time_then_name);
}

int import_scan(const char *folder, struct import_list *out, struct err *why)
{
    struct import_list l = {0};
    struct name_list names = {0};
    if (strlen(folder) >= sizeof l.folder)
        return fail(why, E_INPUT, "%.60s...: the path is too long", folder);
    snprintf(l.folder, sizeof l.folder, "%s", folder);
    int rc = list_names(&l, &names, why);
    for (int32_t i = 0; i < names.count && !rc; i++)
        rc = pair(&l, names.rows[i], why);
    if (!rc && !l.count)
        rc = fail(why, E_INPUT, "%s: no picture in it; name the folder of the frames", folder);
    if (!rc) rc = read_all(&l, why);
    if (!rc) put_in_order(&l);
    mem_free(names.rows);
    if (rc)
        import_list_clear(&l);
    else
        *out = l;
    return rc;
}

/* Out of the frames, if it is one of their files. */
static void take_out(struct import_list *l, const struct stat *quiet)
{
    int32_t kept = 0;
    for (int32_t i = 0; i < l->count; i++) {
        bool is_quiet = false;
        for (int k = 0; k < l->frames[i].file_count; k++) {
            char path[PATH_MAX];
            struct stat st;
            if (!fs_join(path, sizeof path, l->folder, l->frames[i].files[k].name, NULL) && !stat(path, &st))
                is_quiet = is_quiet || (st.st_dev == quiet->st_dev && st.st_ino == quiet->st_ino);
        }
        if (!is_quiet) l->frames[kept++] = l->frames[i];
    }
    l->count = kept;
}

int import_quiet(struct import_list *l, const char *path, struct err *why)
{
    struct import_list from = {0};
    struct import_file f = {0};
    struct stat st;
    const char *slash = strrchr(path, '/'), *name = slash ? slash + 1 : path;
    const int dir = slash && slash != path ? (int)(slash - path) : 1;
    if (stat(path, &st)) return fail(why, E_INPUT, "%s: no such file; name the quiet frame", path);
    if (strlen(path) >= sizeof from.folder || strlen(name) >= sizeof f.name || !store_picture_by_name(name))
        return fail(why, E_INPUT, "%.200s: no picture by its name; name the quiet frame", path);
    snprintf(from.folder, sizeof from.folder, "%.*s", dir, slash ? path : ".");
    snprintf(f.name, sizeof f.name, "%s", name);
    int rc = read_file(&from, &f, why);
    if (rc) return rc;
    if (f.row.width_px != l->width_px || f.row.height_px != l->height_px)
        return fail(why, E_INPUT, "%s: %d x %d pixels, the frames have %d x %d; give one of the same camera",
                    path, (int)f.row.width_px, (int)f.row.height_px, (int)l->width_px, (int)l->height_px);
    take_out(l, &st);
    if (!l->count) return fail(why, E_INPUT, "%s: the only picture; a stack needs other frames", path);
    l->quiet_given = true;
    l->quiet = f;
    snprintf(l->quiet_folder, sizeof l->quiet_folder, "%s", from.folder);
    return E_OK;
}

void import_list_clear(struct import_list *l)
{
    mem_free(l->frames);
    mem_free(l->skipped);
    memset(l, 0, sizeof *l);
}
