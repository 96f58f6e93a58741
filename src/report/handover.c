#include "report/handover.h"

#include <fcntl.h>
#include <inttypes.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/fs.h"
#include "base/json.h"
#include "base/mem.h"
#include "base/units.h"
#include "report/handover_readme.h"
#include "report/record.h"
#include "report/selection.h"
#include "store/evening.h"
#include "store/folder.h"
#include "store/hash.h"
#include "store/reference.h"
#include "store/words.h"

#define COPY_MODE 0644

/* ---- writing */

struct work {
    struct store *st;
    char part[PATH_MAX];
    FILE *manifest; /* in memory */
    char *manifest_text;
    size_t manifest_size;
};

static int note_in_manifest(struct work *w, const char *sha256, const char *name, struct err *why)
{
    return fprintf(w->manifest, "%s  %s\n", sha256, name) > 0
               ? E_OK
               : fail(why, E_NOMEM, "no memory for the manifest");
}

/* The original, if the copy is not what was shot: whose fault is it? */
static int blame(const char *from, const char *copy, const char *wanted, struct err *why)
{
    char now[SHA256_ROOM];
    int rc = sha256_file(from, now, NULL, why);
    if (rc) return rc;
    if (strcmp(now, wanted) != 0)
        return fail(why, E_DAMAGED, "%s: has changed since it was shot; put a good copy of it back", from);
    return fail(why, E_IO, "%s: differs from its original after copying; check that disk", copy);
}

static int copy_one(struct work *w, const struct record_row *r, struct err *why)
{
    char from[PATH_MAX], to[PATH_MAX], sha256[SHA256_ROOM] = "";
    int rc = store_frame_path(w->st, r->file.name, from, sizeof from, why);
    if (!rc) rc = fs_join(to, sizeof to, w->part, r->name, why);
    if (!rc) rc = fs_copy(from, to, COPY_MODE, why);
    if (!rc) rc = sha256_file(to, sha256, NULL, why);
    if (!rc && strcmp(sha256, r->file.sha256) != 0) rc = blame(from, to, r->file.sha256, why);
    return rc ? rc : note_in_manifest(w, sha256, r->name, why);
}

static int reference_folder(const struct work *w, struct err *why)
{
    char path[PATH_MAX];
    int rc = fs_join(path, sizeof path, w->part, REFERENCE_FOLDER, why);
    return rc || folder_is_dir(path) ? rc : fs_make_dir(path, why);
}

static int copy_all(struct work *w, const struct record *rec, struct handover_result *out, struct err *why)
{
    int rc = E_OK;
    for (int32_t i = 0; i < rec->count && !rc; i++) {
        if (!rec->rows[i].handed_over) continue;
        if (rec->rows[i].frame < 0) rc = reference_folder(w, why);
        if (rc) return rc;
        rc = copy_one(w, &rec->rows[i], why);
        out->files++;
        out->bytes += rec->rows[i].file.bytes;
    }
    return rc;
}

/* A text made in memory by `write`, as a file of the hand-over. */
static int put_text(struct work *w, const char *name, void (*write)(FILE *, const void *), const void *arg,
                    struct err *why)
{
    char *text = NULL, sha256[SHA256_ROOM];
    size_t size = 0;
    FILE *f = open_memstream(&text, &size);
    if (!f) return fail(why, E_NOMEM, "no memory for %s", name);
    write(f, arg);
    int rc = fclose(f) ? fail(why, E_NOMEM, "no memory for %s", name) : E_OK;
    if (!rc) rc = fs_put(w->part, name, text, size, COPY_MODE, why);
    if (!rc) {
        sha256_bytes(text, size, sha256);
        rc = note_in_manifest(w, sha256, name, why);
    }
    free(text);
    return rc;
}

static void write_csv(FILE *f, const void *arg)
{
    record_write_csv(arg, f);
}

static void write_json(FILE *f, const void *arg)
{
    json_write(f, arg);
}

static void write_readme(FILE *f, const void *arg)
{
    handover_readme(arg, f);
}

static json_t *whole_record(const struct selection *s)
{
    json_t *o = record_json(&s->record);
    json_t *stack =
        json_pack("{s:s, s:o, s:s, s:s, s:b, s:o}", "date", s->date, "name", json_text(s->info.name), "kind",
                  word_of(WORD_KIND, (int)s->info.kind), "order", word_of(WORD_ORDER, (int)s->info.order),
                  "simulated", s->info.simulated, "created_utc", json_utc(s->info.created_wall_us));
    json_object_set_new(o, "format", json_integer(1));
    json_object_set_new(o, "stack", stack);
    json_object_set_new(o, "first", json_integer(s->first));
    json_object_set_new(o, "last", json_integer(s->last));
    json_object_set_new(o, "margin", s->all ? json_null() : json_integer(s->margin));
    return o;
}

static int put_texts(struct work *w, const struct selection *s, struct err *why)
{
    json_t *json = whole_record(s);
    int rc = json ? E_OK : fail(why, E_NOMEM, "no memory for the record");
    if (!rc) rc = put_text(w, "record.csv", write_csv, &s->record, why);
    if (!rc) rc = put_text(w, "record.json", write_json, json, why);
    if (!rc) rc = put_text(w, "README.txt", write_readme, s, why);
    json_decref(json);
    if (rc) return rc;
    if (fflush(w->manifest)) return fail(why, E_NOMEM, "no memory for the manifest");
    return fs_put(w->part, HANDOVER_MANIFEST, w->manifest_text, w->manifest_size, COPY_MODE, why);
}

static int fill(struct work *w, const struct selection *s, struct handover_result *out, struct err *why)
{
    w->manifest = open_memstream(&w->manifest_text, &w->manifest_size);
    if (!w->manifest) return fail(why, E_NOMEM, "no memory for the manifest");
    int rc = copy_all(w, &s->record, out, why);
    if (!rc) rc = put_texts(w, s, why);
    fclose(w->manifest);
    free(w->manifest_text);
    return rc;
}

int handover_check_place(const char *dir, struct err *why)
{
    return folder_check_free(dir, why);
}

int handover_make(struct store *st, const struct handover_request *rq, struct handover_result *out,
                  struct err *why)
{
    struct work w = {.st = st};
    struct selection s;
    int rc = selection_make(st, rq, &s, why);
    if (rc) return rc;
    struct handover_result result = {.frames = s.frames,
                                     .left_out = s.left_out,
                                     .references = s.references,
                                     .first = s.first,
                                     .last = s.last,
                                     .first_slice = s.first_slice,
                                     .last_slice = s.last_slice};
    snprintf(result.prefix, sizeof result.prefix, "%s", s.prefix);
    rc = folder_begin(rq->to, w.part, sizeof w.part, why);
    if (!rc) {
        rc = fill(&w, &s, &result, why);
        if (!rc) rc = folder_finish(w.part, rq->to, why);
        if (rc) folder_drop(w.part);
    }
    selection_clear(&s);
    if (!rc) *out = result;
    return rc;
}
