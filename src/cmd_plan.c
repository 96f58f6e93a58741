/* cmd_plan.c - `staddle plan JOB`: what would be shot, why, and how long it takes. */
#include "cmd_plan.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/findings.h"
#include "base/units.h"
#include "cmd.h"
#include "config/config.h"
#include "plan/plan.h"

#define WITHIN_MOST_S 604800.0 /* a week */

static const struct option_row options[] = {
    {"compare", NULL, "add a table of other apertures and spacings"},
    {"within", "TIME", "the closest spacing that fits, e.g. 600s, 10min or 1.5h"},
    {NULL, NULL, NULL},
};

/* 600, 600s, 10min, 1.5h */
static int parse_time(const char *text, int64_t *us_out, struct err *why)
{
    static const struct {
        const char *unit;
        double seconds;
    } units[] = {{"", 1}, {"s", 1}, {"min", 60}, {"h", 3600}};
    const size_t digits = strspn(text, "0123456789.");
    char *end;
    const double value = strtod(text, &end);
    for (size_t i = 0; digits && end == text + digits && i < sizeof units / sizeof *units; i++) {
        if (strcmp(end, units[i].unit) != 0) continue;
        if (!(value > 0) || value * units[i].seconds > WITHIN_MOST_S) break;
        *us_out = us_from_s(value * units[i].seconds);
        return E_OK;
    }
    return fail(why, E_INPUT, "--within %.40s: give a time up to a week, e.g. 600s, 10min or 1.5h", text);
}

static int say_within(struct finding_list *list, const struct within *w, struct err *why)
{
    if (w->job_fits) return E_OK;
    const struct finding_about about = {
        .code = "too-slow",
        .grave = true,
        .advice = "allow more time, or change one of what is listed under 'within'"};
    return finding_add(list, about, why, "the job's own plan takes longer than the %.6g s allowed",
                       s_from_us(w->limit_us));
}

struct setup {
    struct job job;
    struct bench bench;
    struct plan plan;
    struct within within;
    bool limited;
    struct finding_list findings;
};

static int work_out(const struct cmd *c, struct setup *s, struct err *why)
{
    int64_t limit_us = 0;
    const char *within = cmd_text(c, "within");
    int rc = within ? parse_time(within, &limit_us, why) : E_OK;
    if (!rc) rc = setup_read(cmd_operand(c, 0), cmd_text(c, "bench"), &s->job, &s->bench, why);
    if (!rc) rc = plan_make(&s->bench, &s->job, &s->plan, &s->findings, why);
    if (rc || !within) return rc;
    rc = within_find(&s->bench, &s->job, &s->plan, limit_us, &s->within, why);
    if (rc) return rc;
    s->limited = true;
    return say_within(&s->findings, &s->within, why);
}

static void tell(const struct cmd *c, const struct setup *s)
{
    json_t *result = cmd_result(c);
    plan_describe(result, &s->bench, &s->job, &s->plan, s->limited ? &s->within : NULL);
    if (cmd_flag(c, "compare")) plan_describe_choices(result, &s->bench, &s->job);
    json_object_set_new(result, "findings", findings_json(&s->findings));
    cmd_print(c, result, plan_text);
}

static int run(struct cmd *c, struct err *why)
{
    struct setup s = {0};
    int rc = work_out(c, &s, why);
    if (!rc) {
        tell(c, &s);
        rc = findings_grave(&s.findings) ? 1 : 0;
    }
    plan_clear(&s.within.finest);
    plan_clear(&s.plan);
    findings_clear(&s.findings);
    bench_clear(&s.bench);
    job_clear(&s.job);
    return rc;
}

const struct verb verb_plan = {
    .name = "plan",
    .operands = "JOB",
    .least = 1,
    .most = 1,
    .summary = "what would be shot, why, and how long it takes",
    .about =
        "Works out from the optics which slices a job takes: the effective f-number, the depth that is "
        "sharp, the\n"
        "spacing and the reason for it, how far the axis travels, how much looser to compose, and the time. "
        "Says\n"
        "where each number came from. Moves nothing and writes nothing.\n\n"
        "Unless the job gives spacing_um, overlap or slices, slices lie so close that midway between two of "
        "them\n"
        "fine detail (half the sensor's limit, or what diffraction leaves half of) keeps four fifths of its\n"
        "contrast. The spacing shrinks a little so that a slice lies on the far mark. The depth by waves "
        "counts a\n"
        "quarter wave on either side, lambda/NA^2 in all, at 550 nm; other criteria in use differ by a "
        "factor of two.\n\n"
        "Exit status 1: a plan was made, but a finding is grave, such as a time limit that it breaks.",
    .options = options,
    .run = run,
};
