#include "store/import_pair.h"

#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/fs.h"
#include "base/mem.h"
#include "store/hash.h"
#include "store/inner.h"
#include "store/pairing.h"

/* A frame that may be an exposure's: of the folder, or in the stack already and gone from the folder. */
struct candidate {
    int64_t at_us;
    int32_t frame; /* in the folder's list, or -1 */
    int32_t row;   /* whose it is for sure, or -1 */
};

struct finding_pairs {
    const struct import_list *list;
    struct pair_result *result;
    struct candidate *all;
    int32_t count;
    struct file_row *files; /* of the whole stack */
    int32_t file_count;
};

void import_pair_name(const struct exposure_row *e, char *out, size_t room)
{
    static const char *const others[] = {"", "the closing frame", "a reference frame", "a test frame"};
    char retake[24] = "", slice[24];
    snprintf(slice, sizeof slice, "slice %d", (int)e->slice);
    if (e->attempt > 1) snprintf(retake, sizeof retake, ", attempt %d", (int)e->attempt);
    snprintf(out, room, "%s%s", e->purpose == PURPOSE_STACK ? slice : others[e->purpose], retake);
}

/* ---- what was fired */

static bool may_have_frame(const struct exposure_row *e)
{
    return e->triggered_at_us != STACK_NONE;
}

static int by_time(const void *a, const void *b)
{
    const struct pair_row *p = a, *q = b;
    const int64_t s = p->exposure.triggered_at_us, t = q->exposure.triggered_at_us;
    return s != t ? (s > t) - (s < t) : (p->exposure.id > q->exposure.id) - (p->exposure.id < q->exposure.id);
}

static int load_rows(struct store *st, struct pair_result *r, struct err *why)
{
    struct exposure_row *all;
    int32_t count;
    int rc = store_exposures(st, &all, &count, why);
    if (rc) return rc;
    r->rows = mem_new((size_t)count + 1, sizeof *r->rows, why);
    for (int32_t i = 0; r->rows && i < count; i++)
        if (may_have_frame(&all[i])) r->rows[r->count++] = (struct pair_row){.exposure = all[i], .frame = -1};
    mem_free(all);
    if (!r->rows) return E_NOMEM;
    qsort(r->rows, (size_t)r->count, sizeof *r->rows, by_time);
    return r->count ? E_OK : fail(why, E_INPUT, "%s: nothing was fired there yet", store_dir(st));
}

static bool is_needed(const struct pair_row *r)
{
    return store_on_card(&r->exposure);
}

static int32_t count_needed(const struct pair_result *r)
{
    int32_t n = 0;
    for (int32_t i = 0; i < r->count; i++)
        n += is_needed(&r->rows[i]);
    return n;
}

/* ---- the frames */

static int64_t time_of(const struct import_entry *e)
{
    for (int k = 0; k < e->file_count; k++)
        if (e->files[k].row.captured_wall_us != STACK_NONE) return e->files[k].row.captured_wall_us;
    return STACK_NONE;
}

/* The row whose files hold one of these bytes. */
static int32_t row_of_frame(const struct finding_pairs *f, const struct import_entry *e)
{
    for (int k = 0; k < e->file_count; k++)
        for (int32_t i = 0; i < f->file_count; i++) {
            if (strcmp(f->files[i].sha256, e->files[k].row.sha256) != 0) continue;
            for (int32_t r = 0; r < f->result->count; r++)
                if (f->result->rows[r].exposure.id == f->files[i].exposure_id) return r;
        }
    return -1;
}

static int candidates_by_time(const void *a, const void *b)
{
    const struct candidate *p = a, *q = b;
    return p->at_us != q->at_us ? (p->at_us > q->at_us) - (p->at_us < q->at_us)
                                : (p->frame > q->frame) - (p->frame < q->frame);
}

/* Those of the folder, then those that the stack has from an earlier folder. */
static int load_candidates(struct finding_pairs *f, struct err *why)
{
    const struct import_list *l = f->list;
    f->all = mem_new((size_t)l->count + (size_t)f->result->count, sizeof *f->all, why);
    if (!f->all) return E_NOMEM;
    for (int32_t j = 0; j < l->count; j++) {
        const int32_t row = row_of_frame(f, &l->frames[j]);
        if (row >= 0) f->result->rows[row].frame = j;
        f->all[f->count++] = (struct candidate){time_of(&l->frames[j]), j, row};
    }
    for (int32_t r = 0; r < f->result->count; r++) {
        if (f->result->rows[r].exposure.state != EXPOSURE_KEPT || f->result->rows[r].frame >= 0) continue;
        for (int32_t i = 0; i < f->file_count; i++) {
            const struct file_row *file = &f->files[i];
            if (file->exposure_id != f->result->rows[r].exposure.id || file->captured_wall_us == STACK_NONE)
                continue;
            f->all[f->count++] = (struct candidate){file->captured_wall_us, -1, r};
            break;
        }
    }
    return E_OK;
}

/* ---- what belongs to what */

static int refuse(const struct finding_pairs *f, const struct pairing *p, struct err *why)
{
    char shot[64];
    const struct import_list *l = f->list;
    if (p->doubt_shot >= 0) {
        const int32_t a = f->all[p->doubt_frame].frame, b = f->all[p->doubt_other].frame;
        import_pair_name(&f->result->rows[p->doubt_shot].exposure, shot, sizeof shot);
        return fail(why, E_INPUT,
                    "%.300s: %s may be %.100s or %.100s; look which it is, and take the other one out of the "
                    "folder",
                    l->folder, shot, a < 0 ? "one that is imported" : l->frames[a].files[0].name,
                    b < 0 ? "one that is imported" : l->frames[b].files[0].name);
    }
    int32_t first = 0;
    while (first + 1 < f->result->count && !is_needed(&f->result->rows[first]))
        first++;
    const int32_t one = p->frame_of[first], other = p->other_first;
    import_pair_name(&f->result->rows[first].exposure, shot, sizeof shot);
    return fail(
        why, E_INPUT,
        "%.200s: the frames fit the stack in more than one way: %s is %.80s%s%.80s; look which it is, and "
        "say so with --first FILE",
        l->folder, shot,
        one < 0 || f->all[one].frame < 0 ? "missing" : l->frames[f->all[one].frame].files[0].name,
        other == one ? ", and one further on is in doubt" : " or ",
        other == one                           ? ""
        : other < 0 || f->all[other].frame < 0 ? "missing"
                                               : l->frames[f->all[other].frame].files[0].name);
}

static int say_first(const struct finding_pairs *f, const char *first, struct pairing_shot *shots,
                     struct err *why)
{
    int32_t shot = 0;
    if (!first) return E_OK;
    while (shot + 1 < f->result->count && !shots[shot].needed)
        shot++;
    for (int32_t c = 0; c < f->count; c++) {
        const int32_t j = f->all[c].frame;
        for (int k = 0; j >= 0 && k < f->list->frames[j].file_count; k++)
            if (!strcmp(f->list->frames[j].files[k].name, first)) {
                shots[shot].known = c;
                return E_OK;
            }
    }
    return fail(why, E_INPUT, "--first %.100s: no such picture in %.300s", first, f->list->folder);
}

static int find_by_time(struct finding_pairs *f, const char *first, struct err *why)
{
    struct pair_result *r = f->result;
    struct pairing p = {.doubt_shot = -1};
    qsort(f->all, (size_t)f->count, sizeof *f->all, candidates_by_time);
    struct pairing_shot *shots = mem_new((size_t)r->count, sizeof *shots, why);
    int64_t *frames_us = mem_new((size_t)f->count, sizeof *frames_us, why);
    int rc = shots && frames_us ? E_OK : E_NOMEM;
    for (int32_t i = 0; !rc && i < r->count; i++)
        shots[i] = (struct pairing_shot){r->rows[i].exposure.triggered_at_us, is_needed(&r->rows[i]), -1};
    for (int32_t c = 0; !rc && c < f->count; c++) {
        frames_us[c] = f->all[c].at_us;
        if (f->all[c].row >= 0) shots[f->all[c].row].known = c;
    }
    if (!rc) rc = say_first(f, first, shots, why);
    if (!rc) {
        struct err bad = {0};
        rc = pairing_find(shots, r->count, frames_us, f->count, &p, &bad);
        if (rc == E_STATE)
            rc = refuse(f, &p, why);
        else if (rc)
            fail(why, (enum errc)rc, "%.200s: %s; is this the card of %s?", f->list->folder, bad.text,
                 "that stack");
    }
    for (int32_t i = 0; !rc && i < r->count; i++)
        if (p.frame_of[i] >= 0) r->rows[i].frame = f->all[p.frame_of[i]].frame;
    r->by_time = true;
    r->ahead_us = p.ahead_us;
    r->fast_ppm = p.fast_ppm;
    r->resolution_us = p.resolution_us;
    pairing_clear(&p);
    mem_free(shots);
    mem_free(frames_us);
    return rc;
}

/* Files that tell no time: only where each exposure has its frame and nothing is left over. */
static int find_by_order(struct finding_pairs *f, struct err *why)
{
    struct pair_result *r = f->result;
    const int32_t needed = count_needed(r);
    if (needed != f->list->count || r->count != needed)
        return fail(
            why, E_INPUT,
            "%.300s: not all frames tell when they were taken, and %d frames for %d exposures cannot be "
            "paired by order alone; leave in the folder what belongs to the stack, one frame an exposure",
            f->list->folder, (int)f->list->count, (int)r->count);
    for (int32_t i = 0; i < r->count; i++)
        r->rows[i].frame = i;
    return E_OK;
}

static bool tell_time(const struct finding_pairs *f)
{
    for (int32_t c = 0; c < f->count; c++)
        if (f->all[c].at_us == STACK_NONE) return false;
    return true;
}

static bool is_in_stack(const struct finding_pairs *f, const struct import_file *file)
{
    for (int32_t i = 0; i < f->file_count; i++)
        if (!strcmp(f->files[i].sha256, file->row.sha256)) return true;
    return false;
}

static bool is_whole(const struct finding_pairs *f, const struct import_entry *e)
{
    for (int k = 0; k < e->file_count; k++)
        if (!is_in_stack(f, &e->files[k])) return false;
    return true;
}

/* Every exposure has its frame: what else there is beside such a frame belongs to it. */
static int find_by_bytes(const struct finding_pairs *f, struct err *why)
{
    f->result->by_bytes = true;
    for (int32_t i = 0; i < f->result->count; i++)
        if (f->result->rows[i].frame >= 0) return E_OK;
    return fail(
        why, E_INPUT,
        "%.300s: none of its pictures is one of the stack, which has all its frames; to bring their raws, "
        "put the card's JPEGs beside them",
        f->list->folder);
}

static enum pair_end end_of(const struct finding_pairs *f, const struct pair_row *r)
{
    switch (r->exposure.state) {
    case EXPOSURE_KEPT:
        return r->frame < 0 || is_whole(f, &f->list->frames[r->frame]) ? PAIR_HAD : PAIR_RAW;
    case EXPOSURE_LOST:
    case EXPOSURE_FAILED:
        return PAIR_GIVEN_UP;
    case EXPOSURE_FIRING:
    case EXPOSURE_SEEN:
    case EXPOSURE_DOUBTFUL:
        break;
    }
    return r->frame >= 0 ? PAIR_BROUGHT : is_needed(r) ? PAIR_MISSING : PAIR_GIVEN_UP;
}

/* Frames that are no exposure's, by where they lie between those that are. */
static int find_extras(struct pair_result *r, const struct import_list *l, struct err *why)
{
    int32_t after = -1;
    r->extras = mem_new((size_t)l->count, sizeof *r->extras, why);
    if (!r->extras) return E_NOMEM;
    for (int32_t j = 0; j < l->count; j++) {
        int32_t row = -1;
        for (int32_t i = 0; i < r->count && row < 0; i++)
            if (r->rows[i].frame == j) row = i;
        if (row >= 0)
            after = row;
        else
            r->extras[r->extra_count++] = (struct pair_extra){j, after};
    }
    return E_OK;
}

int import_pair_find(struct store *st, const struct import_list *l, const char *first,
                     struct pair_result *out, struct err *why)
{
    struct pair_result r = {0};
    struct finding_pairs f = {.list = l, .result = &r};
    int rc = load_rows(st, &r, why);
    if (!rc) rc = store_files(st, 0, &f.files, &f.file_count, why);
    if (!rc) rc = load_candidates(&f, why);
    if (!rc)
        rc = !count_needed(&r) ? find_by_bytes(&f, why)
             : tell_time(&f)   ? find_by_time(&f, first, why)
                               : find_by_order(&f, why);
    for (int32_t i = 0; !rc && i < r.count; i++)
        r.by_end[r.rows[i].end = end_of(&f, &r.rows[i])]++;
    if (!rc) rc = find_extras(&r, l, why);
    mem_free(f.files);
    mem_free(f.all);
    if (rc)
        import_pair_clear(&r);
    else
        *out = r;
    return rc;
}

void import_pair_clear(struct pair_result *r)
{
    mem_free(r->rows);
    mem_free(r->extras);
    memset(r, 0, sizeof *r);
}

/* ---- bringing them */

/* Copied already, by a call that was broken off? */
static bool is_there(struct store *st, const struct file_row *row)
{
    char path[PATH_MAX], sha256[SHA256_ROOM];
    return !store_frame_path(st, row->name, path, sizeof path, NULL) && !fs_sync_dir(st->frames, NULL) &&
           !sha256_file(path, sha256, NULL, NULL) && !strcmp(sha256, row->sha256);
}

/* Under its usual name; where something else has that, which stays, beside it. */
static int bring_file(struct store *st, const struct import_list *l, const struct import_file *from,
                      const struct exposure_row *e, struct file_row *out, struct err *why)
{
    char usual[16], ending[24];
    import_ending(from->name, usual, sizeof usual);
    *out = from->row;
    snprintf(out->object_name, sizeof out->object_name, "%s", from->name);
    int rc = E_STATE;
    for (int again = 1; rc == E_STATE && again < 10; again++) {
        if (again == 1)
            snprintf(ending, sizeof ending, "%s", usual);
        else
            snprintf(ending, sizeof ending, "f%d.%s", again, usual);
        rc = store_frame_name(out->name, sizeof out->name, e, ending, why);
        if (!rc && is_there(st, out)) return E_OK;
        if (!rc) rc = import_copy_file(l, st, from, out, why);
    }
    return rc;
}

static int bring(struct store *st, const struct import_list *l, const struct pair_row *r, struct err *why)
{
    const struct import_entry *e = &l->frames[r->frame];
    struct file_row files[FRAME_FILES_MOST];
    int rc = E_OK;
    for (int k = 0; k < e->file_count && !rc; k++)
        rc = bring_file(st, l, &e->files[k], &r->exposure, &files[k], why);
    if (!rc) rc = fs_sync_dir(st->frames, why);
    if (!rc && r->exposure.state != EXPOSURE_SEEN) /* the card ends the doubt */
        rc = store_exposure_seen(st, r->exposure.id, e->files[0].name, e->files[0].row.bytes, why);
    return rc ? rc : store_exposure_kept(st, r->exposure.id, files, e->file_count, why);
}

/* Those files of a frame that the stack has not. */
static int bring_more(struct store *st, const struct import_list *l, const struct pair_row *r,
                      struct err *why)
{
    const struct import_entry *e = &l->frames[r->frame];
    struct file_row *had, file;
    int32_t count;
    int rc = store_files(st, r->exposure.id, &had, &count, why);
    for (int k = 0; k < e->file_count && !rc; k++) {
        bool is_had = false;
        for (int32_t i = 0; i < count; i++)
            is_had = is_had || !strcmp(had[i].sha256, e->files[k].row.sha256);
        if (is_had) continue;
        rc = bring_file(st, l, &e->files[k], &r->exposure, &file, why);
        if (!rc) rc = fs_sync_dir(st->frames, why);
        if (!rc) rc = store_exposure_more(st, r->exposure.id, &file, why);
    }
    mem_free(had);
    return rc;
}

int import_pair_bring(struct store *st, const struct import_list *l, const struct pair_result *r,
                      struct err *why)
{
    int rc = E_OK;
    for (int32_t i = 0; i < r->count && !rc; i++) {
        if (r->rows[i].end == PAIR_BROUGHT) rc = bring(st, l, &r->rows[i], why);
        if (r->rows[i].end == PAIR_RAW) rc = bring_more(st, l, &r->rows[i], why);
    }
    return rc;
}
