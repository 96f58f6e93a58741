/* cmd_rehearse.c - `staddle rehearse JOB`: the whole travel and back, without the shutter. */
#include <string.h>

#include "base/findings.h"
#include "base/json.h"
#include "base/units.h"
#include "cmd.h"
#include "cmd_person.h"
#include "run/rehearse.h"
#include "run/wishes.h"

static json_t *result_json(const struct cmd *c, const struct axis_session *s, const struct rehearsal *r)
{
    json_t *out = cmd_result(c);
    json_object_set_new(out, "findings", findings_json(&r->findings));
    json_object_set_new(out, "job", json_text(s->job.job.name));
    json_object_set_new(out, "by_hand", json_boolean(s->job.bench.axis.by_hand));
    json_object_set_new(out, "slices", json_integer(r->slices));
    json_object_set_new(out, "reached", json_integer(r->reached));
    json_object_set_new(out, "start_mm", json_mm(r->start_nm));
    json_object_set_new(out, "first_mm", json_mm(r->first_nm));
    json_object_set_new(out, "last_mm", json_mm(r->last_nm));
    json_object_set_new(out, "home_s", json_s(r->home_us));
    json_object_set_new(out, "out_s", json_s(r->out_us));
    json_object_set_new(out, "back_s", r->stopped ? json_null() : json_s(r->back_us));
    json_object_set_new(out, "moves_planned_s", json_s(r->moves_us));
    json_object_set_new(out, "run_planned_s", json_s(s->job.plan.timeline.total_us));
    json_object_set_new(out, "stopped_at_mm", r->stopped ? json_mm(r->stopped_nm) : json_null());
    json_object_set_new(out, "near_end_off_um", r->touched ? json_um(r->off_nm) : json_null());
    json_object_set_new(out, "resolution_um", r->touched ? json_um(r->resolution_nm) : json_null());
    return out;
}

static void text(FILE *out, const json_t *r)
{
    const double off = json_get_number(r, "near_end_off_um");
    fprintf(out, "%s: %.0f of %.0f slices reached, %.4f to %.4f mm, from %.4f mm on\n",
            json_get_text(r, "job"), json_get_number(r, "reached"), json_get_number(r, "slices"),
            json_get_number(r, "first_mm"), json_get_number(r, "last_mm"), json_get_number(r, "start_mm"));
    if (json_is_true(json_object_get(r, "by_hand")))
        fprintf(out, "  out in %.1f s, turned by hand\n", json_get_number(r, "out_s"));
    else
        fprintf(out, "  out in %.1f s, where the moves alone take %.1f s; a run takes %.0f s\n",
                json_get_number(r, "out_s"), json_get_number(r, "moves_planned_s"),
                json_get_number(r, "run_planned_s"));
    if (json_is_null(json_object_get(r, "stopped_at_mm")))
        fprintf(out, "  back in %.1f s%s\n", json_get_number(r, "back_s"),
                json_is_true(json_object_get(r, "by_hand")) ? "" : "; no end switch was met on the way");
    if (!json_is_null(json_object_get(r, "near_end_off_um")))
        fprintf(out, "  then the near end was found %.3g um off, to within %.3g um\n", off + 0.0,
                json_get_number(r, "resolution_um"));
    cmd_print_findings(out, r);
}

static void tell_move(void *arg, const char *sentence)
{
    if (!cmd_quiet(arg)) fprintf(stderr, "%s\n", sentence);
}

/* As a run would refuse the job, so does a rehearsal. */
static int check_job(const struct cmd *c, struct err *why)
{
    struct shoot_job job;
    int rc = shoot_job_read(cmd_operand(c, 0), cmd_text(c, "bench"), &job, why);
    if (rc) return rc;
    rc = run_check(&job.bench, &job.job, &job.plan, why);
    shoot_job_clear(&job);
    return rc;
}

static int run(struct cmd *c, struct err *why)
{
    struct axis_session *s;
    struct rehearsal r;
    const struct person person = cmd_person();
    const struct axis_session_opts o = {.job_path = cmd_operand(c, 0),
                                        .bench_path = cmd_text(c, "bench"),
                                        .rig.person = &person,
                                        .tell = tell_move,
                                        .arg = c};
    int rc = check_job(c, why);
    if (!rc) rc = wishes_listen(why);
    if (!rc) rc = axis_session_open(&o, &s, why);
    if (rc) return rc;
    rc = rehearse(s, &r, why);
    if (!rc) {
        cmd_print(c, result_json(c, s, &r), text);
        rc = findings_grave(&r.findings) ? 1 : 0;
        findings_clear(&r.findings);
    }
    axis_session_close(s);
    wishes_ignore();
    return rc;
}

const struct verb verb_rehearse = {
    .name = "rehearse",
    .operands = "JOB",
    .least = 1,
    .most = 1,
    .summary = "go over a job's whole travel and back, without the shutter",
    .about =
        "Moves the axis as a run of the job would: finds the zero, then goes to each slice and back, "
        "without\n"
        "settling and without the camera. Says how far and how long, whether an end switch was met, and\n"
        "whether the near end is found where it was before the travel: steps that were lost on the way show\n"
        "there. Status 1 when something is gravely wrong. What moves says so first; Ctrl-C halts.",
    .options = NULL,
    .run = run,
};
