#include "run/refind.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/fs.h"
#include "base/mem.h"
#include "run/loop_state.h"

#define LARGEST      ((size_t)1 << 30)
#define ENOUGH       3
#define TRUST_LEAST  0.6 /* of the correlation; our choice */
#define SEEKS_MOST   8
#define CHECKS_MOST  4
#define BESIDE_SHARE 0.25 /* of a spacing: nearer than that it is left as counted; our choice */

/* ---- what it is compared with */

static int64_t target_of(const struct loop *l, int32_t number)
{
    for (int32_t i = 0; i < l->slot_count; i++)
        if (l->slots[i].number == number) return l->slots[i].target_counts;
    return 0;
}

static bool wanted(const struct loop *l, const struct exposure_row *e)
{
    return e->state == EXPOSURE_KEPT && e->purpose == PURPOSE_STACK && e->plan_id == l->opts.plan_id;
}

static int file_of(struct loop *l, int64_t exposure_id, struct file_row *out, struct err *why)
{
    struct file_row *files;
    int32_t count;
    int rc = store_files(l->opts.store, exposure_id, &files, &count, why);
    if (rc) return rc;
    for (int32_t i = count - 1; i >= 0; i--)
        if (i == 0 || files[i].role == FILE_JPEG) *out = files[i];
    mem_free(files);
    return count ? E_OK : fail(why, E_DAMAGED, "a kept frame without a file");
}

static int load_profile(struct loop *l, const struct exposure_row *e, int32_t most_px,
                        struct focus_profile *out, struct err *why)
{
    struct file_row f = {0};
    char path[PATH_ROOM];
    uint8_t *bytes;
    size_t count;
    int rc = file_of(l, e->id, &f, why);
    if (!rc) rc = store_frame_path(l->opts.store, f.name, path, sizeof path, why);
    if (!rc) rc = fs_read(path, LARGEST, &bytes, &count, why);
    if (rc) return rc;
    rc = focus_profile_make(f.name, bytes, count, most_px, out, why);
    mem_free(bytes);
    return rc;
}

static void put(struct refind *r, const struct focus_profile *p, double at_counts)
{
    int32_t i = r->count++;
    for (; i > 0 && r->at_counts[i - 1] > at_counts; i--) { /* in the order of their places */
        r->known[i] = r->known[i - 1];
        r->at_counts[i] = r->at_counts[i - 1];
    }
    r->known[i] = *p;
    r->at_counts[i] = at_counts;
}

/* Evenly of all that are kept, the last ones whatever happens: shooting goes on from there. */
static bool is_chosen(int32_t i, int32_t of)
{
    const int32_t last = REFIND_FRAMES_MOST / 2, rest = of - last;
    if (of <= REFIND_FRAMES_MOST || i >= rest) return true;
    return i * last / rest != (i - 1) * last / rest || i == 0;
}

static int load_known(struct loop *l, int32_t most_px, struct err *why)
{
    struct refind *r = &l->refind;
    struct exposure_row *rows;
    int32_t count, kept = 0, i = 0;
    int rc = store_exposures(l->opts.store, &rows, &count, why);
    if (rc) return rc;
    for (int32_t k = 0; k < count; k++)
        kept += wanted(l, &rows[k]);
    r->known = mem_new(REFIND_FRAMES_MOST + 1, sizeof *r->known, why);
    r->at_counts = mem_new(REFIND_FRAMES_MOST + 1, sizeof *r->at_counts, why);
    if (!r->known || !r->at_counts) rc = E_NOMEM;
    for (int32_t k = 0; !rc && k < count; k++) {
        struct focus_profile p;
        struct err bad;
        if (!wanted(l, &rows[k]) || !is_chosen(i++, kept) || r->count > REFIND_FRAMES_MOST) continue;
        if (!load_profile(l, &rows[k], most_px, &p, &bad)) put(r, &p, (double)target_of(l, rows[k].slice));
    }
    mem_free(rows);
    return rc;
}

static int look(struct loop *l, struct focus_profile *out, struct err *why)
{
    uint8_t *jpeg;
    int64_t bytes;
    int rc = camera_preview(l->rig->camera, &jpeg, &bytes, why);
    if (rc) return rc;
    rc = focus_profile_make("the live picture", jpeg, (size_t)bytes, PROFILE_MOST_PX, out, why);
    mem_free(jpeg);
    return rc;
}

static int place(struct loop *l, int64_t *counts_out, double *trust_out, struct err *why)
{
    struct refind *r = &l->refind;
    struct focus_profile now;
    double at = 0;
    int rc = look(l, &now, why);
    if (!rc && !r->known) rc = load_known(l, now.longer_px, why);
    if (!rc) rc = focus_profile_place(r->known, r->at_counts, r->count, &now, &at, trust_out, why);
    if (!rc) *counts_out = llround(at);
    return rc;
}

/* ---- the ways it ends */

static void end(struct loop *l)
{
    l->refind.stage = REFIND_NONE;
    mem_free(l->refind.known);
    mem_free(l->refind.at_counts);
    l->refind.known = NULL;
    l->refind.at_counts = NULL;
    l->refind.count = 0;
}

void refind_free(struct loop *l)
{
    end(l);
}

static void give_up(struct loop *l, const struct err *why)
{
    struct err said;
    end(l);
    fail(
        &said, E_STATE,
        "nobody knows where the lens stands, and its live picture does not tell: %.200s; focus it by hand on "
        "the near end and shoot a new stack",
        why->text);
    loop_fault(l, &said);
}

/* A camera that was lost sight of once more is waited for, and looked through again. */
static void cannot_look(struct loop *l, const struct err *why)
{
    const bool away = why->code == E_IO || why->code == E_TIMEOUT;
    if (!away || !outage_camera(l, why)) give_up(l, why);
}

static void take_as(struct loop *l, int64_t counts)
{
    struct err why = {0};
    if (axis_here(l->rig->axis, counts, &why)) loop_fault(l, &why);
    loop_look_at_axis(l);
}

/* ---- what it begins with */

static int32_t kept_slices(const struct loop *l)
{
    int32_t n = 0;
    for (int32_t i = 0; i < l->slot_count; i++)
        n += l->slots[i].state == SLOT_KEPT;
    return n;
}

static int64_t near_counts(const struct loop *l)
{
    const struct plan *p = l->opts.plan;
    for (int32_t i = 0; i < p->slice_count; i++)
        if (!p->slices[i].margin) return p->slices[i].target_counts;
    return l->slots[0].target_counts;
}

/* Nothing to compare with: it stands where it was counted last, or on the near end, where it was focused. */
static void begin_by_faith(struct loop *l)
{
    const bool fresh = !l->fires && l->past_reached == STACK_NONE;
    const bool here = l->refind.from_counts != STACK_NONE;
    struct err why;
    if (!fresh && !here && !l->opts.anyway) {
        fail(&why, E_INPUT, "fewer than three frames are kept");
        give_up(l, &why);
        return;
    }
    take_as(l, here ? l->refind.from_counts : near_counts(l));
    if (!fresh)
        loop_note(l, "lens-place", "See by the first frames whether it was moved.", l->at_slot,
                  "too few frames to find the lens's place by: it is taken to stand where it was");
    end(l);
}

void refind_begin(struct loop *l)
{
    struct refind *r = &l->refind;
    const bool counted_before = l->fires > 0;
    end(l);
    *r = (struct refind){.stage = REFIND_LOOK,
                         .from_counts = counted_before ? l->axis.position_counts : STACK_NONE};
}

/* ---- its steps */

static int64_t spacing_counts(const struct loop *l)
{
    const int64_t all = l->slots[l->slot_count - 1].target_counts - l->slots[0].target_counts;
    return l->slot_count > 1 ? all / (l->slot_count - 1) : 1;
}

static bool drive(struct loop *l, int64_t distance, enum refind_stage then)
{
    struct err why = {0};
    l->refind.stage = then;
    if (distance == 0) return true;
    if (axis_jog(l->rig->axis, distance, &why)) {
        give_up(l, &why);
        return false;
    }
    loop_look_at_axis(l);
    return true;
}

/* This way and that, a little farther each time. */
static void seek(struct loop *l, const struct err *why)
{
    struct refind *r = &l->refind;
    const int64_t all = l->slots[l->slot_count - 1].target_counts - l->slots[0].target_counts;
    const int64_t part = all / 3 > 0 ? all / 3 : 1;
    if (r->seeks++ >= SEEKS_MOST) {
        give_up(l, why);
        return;
    }
    drive(l, (r->seeks % 2 ? -1 : 1) * r->seeks * part, REFIND_SEEK);
}

/* Into the midst of the known places: beyond the outermost a picture says too little, and is like them all
 * the same. */
static void go_back_to(struct loop *l, int64_t now_counts)
{
    struct refind *r = &l->refind;
    const int32_t inside = r->count < 5 ? 1 : 2;
    int32_t near = inside;
    for (int32_t i = inside; i < r->count - inside; i++)
        if (fabs(r->at_counts[i] - (double)now_counts) <= fabs(r->at_counts[near] - (double)now_counts))
            near = i;
    r->target_counts = llround(r->at_counts[near]);
    take_as(l, now_counts);
    drive(l, r->target_counts - l->take_up_counts - now_counts, REFIND_RETURN);
}

static void look_around(struct loop *l)
{
    struct err why = {0};
    int64_t counts;
    double trust;
    if (kept_slices(l) < ENOUGH) {
        begin_by_faith(l);
        return;
    }
    loop_tell(l, "finding the focus");
    if (place(l, &counts, &trust, &why)) {
        cannot_look(l, &why);
        return;
    }
    fail(&why, E_STATE, "it is like none of the frames");
    if (trust >= TRUST_LEAST)
        go_back_to(l, counts);
    else
        seek(l, &why);
}

static void found(struct loop *l, int64_t off_counts)
{
    const struct refind *r = &l->refind;
    const int64_t beside = r->from_counts == STACK_NONE ? 0 : off_counts;
    loop_note(l, "lens-place", "", l->at_slot,
              "the lens was out of sight; its place was found again by picture, at %lld counts, %lld beside",
              (long long)r->target_counts, (long long)beside);
    const int64_t now_counts = r->target_counts + off_counts;
    l->engaged_counts = l->take_up_counts;
    end(l);
    if (off_counts) take_as(l, now_counts);
}

/* It stands at a kept frame's place, come to from the near side: is that what is seen? */
static void check(struct loop *l)
{
    struct refind *r = &l->refind;
    struct err why = {0};
    int64_t counts;
    double trust;
    if (place(l, &counts, &trust, &why)) {
        cannot_look(l, &why);
        return;
    }
    const int64_t off = counts - r->target_counts;
    const bool like = trust >= TRUST_LEAST;
    if (like && (double)llabs(off) <= BESIDE_SHARE * (double)spacing_counts(l)) {
        found(l, off);
        return;
    }
    fail(&why, E_STATE, "it is not like the frames where it should be");
    if (r->checks++ >= CHECKS_MOST)
        give_up(l, &why);
    else if (like)
        go_back_to(l, counts);
    else
        seek(l, &why);
}

static bool quiet(const struct loop *l)
{
    return take_count(l) == 0 && !l->rig->out && !l->outages[OUTAGE_CAMERA].out && !l->parked;
}

bool refind_step(struct loop *l)
{
    struct refind *r = &l->refind;
    while (r->stage != REFIND_NONE && l->axis.phase == AXIS_REST && quiet(l)) {
        switch (r->stage) {
        case REFIND_NONE:
            break;
        case REFIND_SEEK:
        case REFIND_LOOK:
            r->stage = REFIND_LOOK;
            look_around(l);
            break;
        case REFIND_RETURN:
            drive(l, l->take_up_counts, REFIND_CHECK);
            break;
        case REFIND_CHECK:
            check(l);
            break;
        }
    }
    return r->stage == REFIND_NONE;
}
