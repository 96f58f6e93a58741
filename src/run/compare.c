#include "run/compare.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/fs.h"
#include "base/mem.h"
#include "run/loop_state.h"

#define LARGEST ((size_t)1 << 30)

/* ---- the limits; all of them our choice */

/* Sideways: told from the blur limit on, where two frames laid on each other without aligning would show it.
 * Aligning mends a shift, but not that the set is seen from elsewhere: over the depth of the stack that moves
 * things against each other by shift x scale change, which is too much where it exceeds the blur limit; so is
 * more than 2 % of the picture, which aligning would cut off. */
#define TELL_PX     2.0
#define PARALLAX_PX 2.0
#define MOST_SHARE  0.02
/* Scale: registration knows it to 0.1 %. A set moved toward the camera shows in nothing else: 0.3 % of a
 * view distance of 43 mm are 0.13 mm, and so far all slices to come would lie beside the plan. In a small
 * picture 0.3 % is less than a pixel, so it must be seen at the corner, too. */
#define TELL_SCALE     0.002
#define TELL_CORNER_PX 1.0
#define MOST_SCALE     0.003
#define MOST_CORNER_PX 2.0
/* Light: told as the closing frame's is; half a stop is no warming-up, but a hand at a knob or a dead lamp.
 */
#define TELL_STOPS 0.15
#define MOST_STOPS 0.5

static double most_shift_px(const struct compare_found *f)
{
    double most = MOST_SHARE * (f->width_px > f->height_px ? f->width_px : f->height_px);
    double change = fabs(f->scale_change);
    if (change * most > PARALLAX_PX) most = PARALLAX_PX / change;
    return most > TELL_PX ? most : TELL_PX;
}

static enum compare_verdict worse(enum compare_verdict a, enum compare_verdict b)
{
    return a > b ? a : b;
}

static enum compare_verdict judge_value(double is, double tell, double most)
{
    return is > most ? COMPARE_TOO_MUCH : is > tell ? COMPARE_DIFFERS : COMPARE_SAME;
}

static enum compare_verdict judge_place(const struct compare_found *f)
{
    if (!f->shift_known) return f->shift_due ? COMPARE_TOO_MUCH : COMPARE_SAME;
    double off = fabs(f->scale - 1), corner = off * hypot(f->width_px, f->height_px) / 2;
    enum compare_verdict scale = corner > MOST_CORNER_PX && off > MOST_SCALE   ? COMPARE_TOO_MUCH
                                 : corner > TELL_CORNER_PX && off > TELL_SCALE ? COMPARE_DIFFERS
                                                                               : COMPARE_SAME;
    return worse(judge_value(hypot(f->dx_px, f->dy_px), TELL_PX, most_shift_px(f)), scale);
}

enum compare_verdict compare_judge(const struct compare_found *f, char *text, size_t room)
{
    double stops = round(f->light_stops * 100) / 100;
    char place[80] = "has nothing to compare its place by";
    if (f->shift_known)
        snprintf(place, sizeof place, "lies %.1f px beside its kept frame, scale %+.2f %%",
                 hypot(f->dx_px, f->dy_px), round(1e4 * (f->scale - 1)) / 100 + 0.0);
    else if (f->shift_due)
        snprintf(place, sizeof place, "shows something else than its kept frame");
    snprintf(text, room, "%s, light %+.2f stops", place, stops + 0.0);
    return worse(judge_place(f), judge_value(fabs(f->light_stops), TELL_STOPS, MOST_STOPS));
}

/* ---- what there is to compare with */

int32_t compare_of(const struct loop *l, int32_t slot)
{
    return slot > l->slot_count ? slot - l->slot_count - 1 : -1;
}

int32_t compare_next(const struct loop *l)
{
    for (int32_t i = 0; i < l->past_count; i++)
        if (l->slots[l->slot_count + 1 + i].state == SLOT_TODO) return l->slot_count + 1 + i;
    return -1;
}

bool compare_waits(const struct loop *l)
{
    for (int32_t i = 0; i < l->past_count; i++)
        if (!l->past[i].judged) return true;
    return false;
}

static void remember(struct loop *l, int32_t slot)
{
    int32_t i = l->past_count++;
    struct slot *again = &l->slots[l->slot_count + 1 + i];
    *again = (struct slot){.number = l->slots[slot].number, .target_counts = l->slots[slot].target_counts};
    l->past[i] = (struct past_frame){.slot = slot};
}

/* The last kept ones before the gap, from near to far, so that the rail goes on from them; where there is
 * none before it, the next ones behind. */
static void choose(struct loop *l)
{
    int32_t gap = 0, found[COMPARE_MOST], n = 0;
    while (gap < l->slot_count && l->slots[gap].state == SLOT_KEPT)
        gap++;
    if (gap == l->slot_count)
        return; /* whole, but for the closing frame perhaps: that one is compared anyway */
    for (int32_t i = gap - 1; i >= 0 && n < COMPARE_MOST; i--)
        if (l->slots[i].state == SLOT_KEPT) found[n++] = i;
    for (int32_t i = n - 1; i >= 0; i--)
        remember(l, found[i]);
    for (int32_t i = gap; !n && i < l->slot_count && l->past_count < COMPARE_MOST; i++)
        if (l->slots[i].state == SLOT_KEPT) remember(l, i);
}

static int read_picture(struct loop *l, struct picture *p, struct err *why)
{
    char path[PATH_ROOM];
    uint8_t *bytes;
    size_t count;
    int rc = store_frame_path(l->opts.store, p->file.name, path, sizeof path, why);
    if (!rc) rc = fs_read(path, LARGEST, &bytes, &count, why);
    if (rc) return rc;
    struct measure_space *space = bench_take_space(l->rig, why);
    rc = space ? measure_frame(space, p->file.name, bytes, count, NULL, &p->measure, &p->view, &p->facts, why)
               : E_NOMEM;
    bench_give_space(l->rig, space);
    mem_free(bytes);
    return rc;
}

static int load_files(struct loop *l, const struct exposure_row *e, struct picture *p, struct err *why)
{
    struct file_row *files;
    int32_t count;
    int rc = store_files(l->opts.store, e->id, &files, &count, why);
    if (rc) return rc;
    for (int32_t i = count - 1; i >= 0; i--)
        if (i == 0 || files[i].role == FILE_JPEG) p->file = files[i];
    mem_free(files);
    return count ? read_picture(l, p, why) : fail(why, E_DAMAGED, "a kept frame without a file");
}

static const struct exposure_row *kept_row(const struct loop *l, int32_t slot,
                                           const struct exposure_row *rows, int32_t count)
{
    for (int32_t i = 0; i < count; i++)
        if (rows[i].state == EXPOSURE_KEPT && rows[i].purpose == PURPOSE_STACK &&
            rows[i].plan_id == l->opts.plan_id && rows[i].slice == l->slots[slot].number)
            return &rows[i];
    return NULL;
}

/* A frame that cannot be read any more is told, and not compared with: there may be others. */
static int load_one(struct loop *l, struct past_frame *p, const struct exposure_row *rows, int32_t count,
                    struct err *why)
{
    struct err bad = {0};
    const struct exposure_row *e = kept_row(l, p->slot, rows, count);
    struct picture *kept = mem_new(1, sizeof *kept, why);
    if (!kept) return E_NOMEM;
    kept->refs = 1;
    int rc = e ? load_files(l, e, kept, &bad) : fail(&bad, E_DAMAGED, "its row is gone");
    if (!rc) {
        p->kept = kept;
        return E_OK;
    }
    picture_drop(kept);
    p->judged = true;
    l->slots[l->slot_count + 1 + (p - l->past)].state = SLOT_KEPT;
    loop_note(l, "not-compared", "Look whether its file is whole.", p->slot, "cannot be compared with: %s",
              bad.text);
    if (rc == E_NOMEM && why) *why = bad;
    return rc == E_NOMEM ? rc : E_OK;
}

/* Do the kept frames agree with each other? Then a fresh one that agrees with neither shows something else.
 */
static int pair_kept(struct loop *l, struct err *why)
{
    struct frame_shift s;
    if (l->past_count < 2 || !l->past[0].kept || !l->past[1].kept) return E_OK;
    struct measure_space *space = bench_take_space(l->rig, why);
    if (!space) return E_NOMEM;
    int rc =
        register_shift(measure_space_register(space), l->past[0].kept->view, l->past[1].kept->view, &s, why);
    bench_give_space(l->rig, space);
    l->past_pairs =
        !rc && (s.trust == SHIFT_GOOD || s.trust == SHIFT_WEAK); /* weak: agrees, but leaves the scale open */
    return rc == E_NOMEM ? rc : E_OK;
}

int compare_load(struct loop *l, const struct exposure_row *rows, int32_t count, struct err *why)
{
    int rc = E_OK;
    choose(l);
    for (int32_t i = 0; !rc && i < l->past_count; i++)
        rc = load_one(l, &l->past[i], rows, count, why);
    return rc ? rc : pair_kept(l, why);
}

void compare_drop(struct loop *l)
{
    for (int32_t i = 0; i < l->past_count; i++) {
        picture_drop(l->past[i].kept);
        l->past[i].kept = NULL;
    }
}

/* ---- the fresh frame is here */

void compare_kept(struct loop *l, int32_t slot)
{
    struct job_work *j = job_new(l, JOB_COMPARE, NULL);
    if (j) {
        j->slot = slot;
        j->picture = picture_hold(l->slots[slot].picture);
        j->before = picture_hold(l->past[compare_of(l, slot)].kept);
    }
    job_start(l, j);
}

static void record(struct loop *l, const char *name, const char *text, enum compare_verdict v)
{
    static const char *const words[] = {"same", "differs", "too much"};
    struct job_work *j = job_new(l, JOB_EVENT, NULL);
    if (j) {
        j->event.at_wall_us = sched_wall_us(l->rig->sched);
        snprintf(j->event.kind, sizeof j->event.kind, "compared");
        snprintf(j->event.text, sizeof j->event.text, "%s: %.200s", name, text);
        snprintf(j->event.detail, sizeof j->event.detail, "%s", words[v]);
    }
    job_start(l, j);
}

static void look_first(struct loop *l, const char *name, const char *text)
{
    struct err why;
    if (l->opts.anyway) return;
    fail(&why, E_STATE,
         "look at the set first: %s %.110s; put back what was moved or changed, or take it as it is with "
         "--anyway",
         name, text);
    loop_fault(l, &why);
}

static struct compare_found found_by(struct loop *l, const struct job_work *j)
{
    const struct frame_measure *now = &j->picture->measure, *then = &j->before->measure;
    bool known = !j->rc && (j->shift.trust == SHIFT_GOOD || j->shift.trust == SHIFT_WEAK);
    return (struct compare_found){
        .width_px = now->width_px,
        .height_px = now->height_px,
        .scale_change = l->opts.plan->optics.scale_change,
        .shift_known = known,
        .shift_due = j->rc == E_INPUT || l->past_pairs, /* of another size, or of another thing */
        .dx_px = (double)j->shift.dx_px,
        .dy_px = (double)j->shift.dy_px,
        .scale = (double)j->shift.scale,
        .light_stops = log2(((double)now->mean_linear + 1e-9) / ((double)then->mean_linear + 1e-9)),
    };
}

void compare_work_done(struct loop *l, struct job_work *j)
{
    if (j->base.kind == JOB_EVENT && j->rc) loop_disk_fault(l, &j->why);
    if (j->base.kind != JOB_COMPARE) return;
    char text[128], name[SLOT_NAME_ROOM];
    struct compare_found f = found_by(l, j);
    struct past_frame *p = &l->past[compare_of(l, j->slot)];
    enum compare_verdict v = compare_judge(&f, text, sizeof text);
    p->judged = true;
    if (j->rc == E_NOMEM) loop_fault(l, &j->why);
    l->result.compared[l->result.compared_count++] = (struct run_compared){.slice = l->slots[p->slot].number,
                                                                           .shift_known = f.shift_known,
                                                                           .dx_px = f.dx_px,
                                                                           .dy_px = f.dy_px,
                                                                           .scale = f.scale,
                                                                           .light_stops = f.light_stops};
    loop_name(l, j->slot, name);
    record(l, name, text, v);
    if (v != COMPARE_SAME)
        loop_note(l, "not-as-it-was", "See whether the set, the lens or the lamp was touched.", j->slot, "%s",
                  text);
    if (v == COMPARE_TOO_MUCH) look_first(l, name, text);
    picture_drop(l->slots[j->slot].picture);
    l->slots[j->slot].picture = NULL;
}
