/* The run as a whole: what the loop starts from, and what is said of its end. */
#include <stdio.h>
#include <string.h>

#include "base/findings.h"
#include "base/mem.h"
#include "base/units.h"
#include "plan/slices.h"
#include "run/loop_state.h"
#include "run/naming.h"

int run_check(const struct bench *b, const struct job *j, const struct plan *p, struct err *why)
{
    if (p->slice_count < 1) return fail(why, E_INPUT, "%s: the plan has no slice", j->path);
    if (j->exposure_us <= 0) return fail(why, E_INPUT, "%s: no exposure time; set exposure_s", j->path);
    if (b->light.kind == LIGHT_FLASH && j->exposure_us < b->camera.sync_us)
        return fail(
            why, E_INPUT,
            "%s: exposure_s %g is shorter than the flash sync of %g s, so a part of the frame would stay "
            "dark; expose at least that long",
            j->path, s_from_us(j->exposure_us), s_from_us(b->camera.sync_us));
    return E_OK;
}

void run_result_clear(struct run_result *r)
{
    findings_clear(&r->findings);
    memset(r, 0, sizeof *r);
}

static int load_slots(struct loop *l, struct err *why)
{
    struct slice_row *rows;
    int32_t count;
    int rc = store_slices(l->opts.store, l->opts.plan_id, &rows, &count, why);
    if (rc) return rc;
    l->slots = mem_new((size_t)count + 1 + COMPARE_MOST, sizeof *l->slots, why);
    l->levels = mem_new((size_t)count + 1, sizeof *l->levels, why);
    if (l->slots && l->levels) {
        l->slot_count = count;
        for (int32_t i = 0; i < count; i++)
            l->slots[i] = (struct slot){.number = rows[i].number, .target_counts = rows[i].target_counts};
        if (count) l->slots[count].target_counts = l->slots[0].target_counts;
    }
    mem_free(rows);
    if (!l->slots || !l->levels) return E_NOMEM;
    return count ? E_OK : fail(why, E_DAMAGED, "the stack's plan has no slice");
}

static int load_mark(struct loop *l, struct err *why)
{
    struct stack_info info;
    int rc = store_info(l->opts.store, &info, why);
    if (rc) return rc;
    l->stack_mark = stack_mark(&info);
    stack_info_clear(&info);
    return E_OK;
}

static void mark_kept(struct loop *l, const struct exposure_row *e)
{
    const bool on_card = store_on_card(e);
    if (e->state != EXPOSURE_KEPT && !on_card) return;
    if (e->purpose == PURPOSE_CLOSING) {
        l->slots[l->slot_count].state = SLOT_KEPT;
        l->slots[l->slot_count].on_card = on_card;
        l->closing_wanted = false;
    }
    for (int32_t i = 0; e->purpose == PURPOSE_STACK && e->plan_id == l->opts.plan_id && i < l->slot_count;
         i++)
        if (l->slots[i].number == e->slice) {
            l->slots[i].state = SLOT_KEPT;
            l->slots[i].on_card = on_card;
        }
}

static int load_exposures(struct loop *l, struct err *why)
{
    struct exposure_row *rows;
    int32_t count;
    int rc = store_exposures(l->opts.store, &rows, &count, why);
    if (rc) return rc;
    for (int32_t i = 0; i < count; i++) {
        mark_kept(l, &rows[i]);
        if (rows[i].fire_seq == STACK_NONE || rows[i].fire_seq <= l->fire_seq) continue;
        l->fire_seq = rows[i].fire_seq;
        l->past_nonce = rows[i].nonce;
        l->past_reached = rows[i].reached_counts;
    }
    if (!(camera_caps(l->rig->camera) & CAMERA_KEEPS_FILES)) /* else there is nothing to look at */
        rc = compare_load(l, rows, count, why);
    mem_free(rows);
    return rc;
}

int loop_prepare_camera(struct loop *l, struct err *why)
{
    struct camera_settings s = {.exposure_us = l->opts.job->exposure_us,
                                .flash = l->opts.bench->light.kind == LIGHT_FLASH};
    int rc = camera_describe(l->rig->camera, &l->camera_facts, why);
    if (!rc) rc = camera_set(l->rig->camera, &s, why);
    if (!rc) rc = camera_arm(l->rig->camera, why);
    return rc;
}

int loop_new(const struct run_opts *opts, struct loop **out, struct err *why)
{
    struct loop *l = mem_new(1, sizeof *l, why);
    if (!l) return E_NOMEM;
    l->opts = *opts;
    l->rig = opts->rig;
    l->closing_wanted = !opts->no_closing;
    l->past_nonce = l->past_reached = STACK_NONE;
    const struct plan *p = opts->plan;
    if (!(l->rig->axis->ops->caps & AXIS_WAITS_FOR_PERSON)) /* who is told to take up the play, in one go */
        l->take_up_counts = slices_counts_of(p->travel.take_up_nm, p->nm_per_count_num, p->nm_per_count_den);
    l->begun_at_us = l->last_progress_us = loop_now(l);
    l->slept_us = sched_slept_us(l->rig->sched);
    l->clock_set_us = sched_clock_set_us(l->rig->sched);
    l->start_at_us = l->begun_at_us + p->timeline.start_delay_us;
    int rc = load_slots(l, why);
    if (!rc) rc = load_mark(l, why);
    if (!rc) rc = load_exposures(l, why);
    if (!rc) rc = loop_prepare_camera(l, why);
    if (rc) {
        loop_free(l);
        return rc;
    }
    *out = l;
    return E_OK;
}

void loop_free(struct loop *l)
{
    if (!l) return;
    take_free_all(l);
    outage_free(l);
    refind_free(l);
    if (l->slots) neighbours_drop(l);
    compare_drop(l);
    findings_clear(&l->result.findings);
    mem_free(l->slots);
    mem_free(l->levels);
    mem_free(l);
}

static enum run_end how_it_ended(const struct loop *l)
{
    bool whole = l->slots[l->slot_count].state == SLOT_KEPT || l->opts.no_closing;
    for (int32_t i = 0; i < l->slot_count; i++)
        whole = whole && l->slots[i].state == SLOT_KEPT;
    if (whole) return RUN_WHOLE;
    return l->halted ? RUN_HALTED : RUN_PAUSED;
}

static void take_result(struct loop *l, struct run_result *out)
{
    l->result.slices = l->slot_count;
    for (int32_t i = 0; i < l->slot_count; i++)
        l->result.kept += l->slots[i].state == SLOT_KEPT;
    for (int32_t i = 0; i <= l->slot_count; i++)
        l->result.on_card += l->slots[i].on_card;
    l->result.duration_us = loop_now(l) - l->begun_at_us;
    l->result.why = l->fault;
    *out = l->result;
    memset(&l->result.findings, 0, sizeof l->result.findings); /* they are the caller's now */
}

static int note_end(struct loop *l, const struct run_result *r, struct err *why)
{
    static const char *const kinds[] = {"whole", "paused", "halted", "killed"};
    char text[64];
    if (l->disk_dead) return E_OK;
    snprintf(text, sizeof text, "%d of %d slices", (int)r->kept, (int)r->slices);
    return store_add_event(l->opts.store, sched_wall_us(l->rig->sched), kinds[r->end], text, l->fault.text,
                           why);
}

static int say_end(const struct run_result *r, struct err *why)
{
    switch (r->end) {
    case RUN_WHOLE:
        return E_OK;
    case RUN_HALTED:
        return fail(why, E_PAUSED, "halted by hand with %d of %d slices", (int)r->kept, (int)r->slices);
    case RUN_KILLED:
        return fail(why, E_PAUSED, "left with %d of %d slices", (int)r->kept, (int)r->slices);
    case RUN_PAUSED:
        break;
    }
    /* what a person has to clear first is not the same as what resume alone gets over */
    enum errc code = r->why.code == E_STATE ? E_STATE : E_PAUSED;
    if (r->why.code)
        return fail(why, code, "paused with %d of %d slices: %.400s", (int)r->kept, (int)r->slices,
                    r->why.text);
    return fail(why, E_PAUSED, "paused by hand with %d of %d slices", (int)r->kept, (int)r->slices);
}

static bool run_events(struct loop *l)
{
    struct rig_event ev;
    while (!loop_over(l)) {
        bench_wait(l->rig, loop_deadline_us(l), &ev);
        if (l->opts.killed && l->opts.killed(l->opts.killed_arg, l->result.events)) {
            mem_free(ev.camera.bytes);
            work_free(ev.work);
            return false;
        }
        loop_step(l, &ev);
    }
    return true;
}

int run_stack(const struct run_opts *opts, struct run_result *out, struct err *why)
{
    struct loop *l;
    int rc = run_check(opts->bench, opts->job, opts->plan, why);
    if (!rc) rc = loop_new(opts, &l, why);
    if (rc) return rc;
    memset(out, 0, sizeof *out);
    bool ended = run_events(l);
    take_result(l, out);
    out->end = ended ? how_it_ended(l) : RUN_KILLED;
    if (ended) rc = note_end(l, out, why);
    loop_free(l);
    return rc ? rc : say_end(out, why);
}
