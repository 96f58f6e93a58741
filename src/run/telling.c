/* telling.c - what the loop says while it runs: progress, and findings about a slice. */
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "base/findings.h"
#include "run/loop_state.h"

#define NOTES_MOST 200

const char *loop_name(const struct loop *l, int32_t slot, char room[SLOT_NAME_ROOM])
{
    static const char *const form[] = {"slice %d", "closing frame%.0d", "slice %d once more"};
    int which = slot < l->slot_count ? 0 : compare_of(l, slot) < 0 ? 1 : 2;
    snprintf(room, SLOT_NAME_ROOM, form[which], (int)l->slots[slot].number);
    return room;
}

void loop_note(struct loop *l, const char *code, const char *advice, int32_t slot, const char *format, ...)
{
    char text[200];
    va_list ap;
    va_start(ap, format);
    vsnprintf(text, sizeof text, format, ap);
    va_end(ap);
    bool slice = slot < l->slot_count;
    char name[SLOT_NAME_ROOM];
    snprintf(l->last_finding, sizeof l->last_finding, "%s: %s", loop_name(l, slot, name), text);
    if (l->result.findings.count >= NOTES_MOST) return;
    struct finding_about about = {.code = code, .advice = advice};
    if (slice) {
        about.frames = &slot;
        about.frame_count = 1;
    }
    finding_add(&l->result.findings, about, NULL, "%s", l->last_finding);
}

int32_t loop_kept_count(const struct loop *l)
{
    int32_t n = 0;
    for (int32_t i = 0; i < l->slot_count; i++)
        n += l->slots[i].state == SLOT_KEPT;
    return n;
}

static int64_t eta(const struct loop *l, int32_t left)
{
    int64_t each = l->opts.plan->timeline.slice_us;
    int64_t delay = l->start_at_us > loop_now(l) ? l->start_at_us - loop_now(l) : 0;
    if (l->fires >= 3) each = (loop_now(l) - l->first_fire_us) / l->fires;
    return delay + each * (left + l->closing_wanted) + l->opts.plan->timeline.quiet_us;
}

void loop_tell_of(struct loop *l, const char *doing, int32_t slot)
{
    if (!l->opts.progress) return;
    int32_t kept = loop_kept_count(l);
    struct run_progress p = {.doing = compare_of(l, slot) < 0 ? doing : "comparing",
                             .slice = l->slots[slot].number,
                             .kept = kept,
                             .total = l->slot_count,
                             .on_card = camera_caps(l->rig->camera) & CAMERA_KEEPS_FILES,
                             .eta_us = eta(l, l->slot_count - kept),
                             .finding = l->last_finding,
                             .news = !strcmp(doing, "waiting") || !strcmp(doing, "going on") ||
                                     !strcmp(doing, "homing again")};
    l->opts.progress(l->opts.progress_arg, &p);
}

void loop_tell(struct loop *l, const char *doing)
{
    loop_tell_of(l, doing, l->at_slot);
}
