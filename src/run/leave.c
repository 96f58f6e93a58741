/* leave.c - raws that the bench file leaves on the camera's card: not fetched, and noted, so that they can be
 * paired with their JPEGs once the card is read. A raw that comes alone is fetched all the same. */
#include <stdio.h>
#include <string.h>

#include "run/loop_state.h"

static void note(struct loop *l, const struct take *t, const struct camera_object *o)
{
    char name[SLOT_NAME_ROOM];
    struct job_work *j = job_new(l, JOB_EVENT, NULL);
    if (j) {
        j->event.at_wall_us = sched_wall_us(l->rig->sched);
        snprintf(j->event.kind, sizeof j->event.kind, "left on the card");
        snprintf(j->event.text, sizeof j->event.text, "%s, try %d: %.200s", loop_name(l, t->slot, name),
                 (int)t->row.attempt, o->name);
        snprintf(j->event.detail, sizeof j->event.detail, "%lld", (long long)o->bytes);
    }
    job_start(l, j);
}

static bool has_jpeg(const struct take *t)
{
    for (int i = 0; i < t->object_count; i++)
        if (t->objects[i].role == FILE_JPEG) return true;
    return false;
}

void take_leave_raws(struct loop *l, struct take *t)
{
    int kept = 0;
    if (l->opts.bench->camera.fetch != FETCH_JPEG || !has_jpeg(t)) return;
    for (int i = 0; i < t->object_count; i++) {
        if (t->objects[i].role != FILE_RAW)
            t->objects[kept++] = t->objects[i];
        else if (!t->left_raws)
            note(l, t, &t->objects[i]);
    }
    if (kept < t->object_count) t->left_raws = true;
    t->object_count = kept;
}
