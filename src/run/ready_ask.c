#include "run/ready_ask.h"

#include "base/findings.h"

static struct ready_job job_of(const struct shoot_job *s, int32_t frames)
{
    const struct plan_optics *o = &s->plan.optics;
    const struct camera_spec *c = &s->bench.camera;
    struct ready_job j = {
        .frames = frames, .lens_is_axis = s->bench.axis.by_lens, .to_ram = c->target == TARGET_RAM};
    if (!frames) return j;
    j.exposure_us = s->job.exposure_us;
    j.frame_every_us = s->plan.timeline.slice_us;
    j.f_number = c->shows == SHOWS_EFFECTIVE ? o->effective_f_number : o->marked_f_number;
    return j;
}

int ready_ask(struct rig *r, const struct shoot_job *s, int32_t frames, bool *asked, struct ready *out,
              struct err *why)
{
    struct told told;
    const struct ready_job j = job_of(s, frames);
    int rc = camera_tell(r->camera, &told, why);
    *asked = !rc;
    if (rc == E_UNSUPPORTED) return E_OK;
    if (rc) return rc;
    rc = ready_judge(&told, &j, out, why);
    told_clear(&told);
    return rc;
}

static int move_to(struct finding_list *to, const struct finding_list *from, struct err *why)
{
    int rc = E_OK;
    for (int32_t i = 0; !rc && i < from->count; i++) {
        const struct finding *f = &from->rows[i];
        rc =
            finding_add(to, (struct finding_about){.code = f->code, .advice = f->advice}, why, "%s", f->text);
    }
    return rc;
}

int ready_add_notes(struct finding_list *to, struct finding_list *notes, bool wanted, struct err *why)
{
    int rc = wanted ? move_to(to, notes, why) : E_OK;
    findings_clear(notes);
    return rc;
}

/* What was grave and taken anyway is told as the rest: what came of it the frames will show. */
int ready_for_stack(struct rig *r, const struct shoot_job *s, int32_t frames, bool anyway,
                    struct finding_list *notes, struct err *why)
{
    struct ready ready = {0};
    bool asked;
    struct err deaf;
    int rc = ready_ask(r, s, frames, &asked, &ready, &deaf);
    if (rc) /* it may be only this that it cannot do: whether it takes frames the run will see */
        return finding_add(notes, (struct finding_about){.code = "not-asked", .advice = ""}, why,
                           "the camera could not be asked whether it is ready: %.160s", deaf.text);
    if (asked && !anyway) rc = ready_refuse(&ready, why);
    if (!rc && asked) rc = move_to(notes, &ready.findings, why);
    ready_clear(&ready);
    return rc;
}
