#include "cmd_axis_calibrate.h"

#include <math.h>
#include <string.h>
#include <unistd.h>

#include "base/json.h"
#include "base/units.h"
#include "cmd_length.h"
#include "config/bench_measured.h"
#include "config/marks.h"
#include "run/calibrate.h"

static void progress(void *arg, int32_t done, int32_t of)
{
    if (!cmd_quiet(arg) && isatty(STDERR_FILENO))
        fprintf(stderr, "\rpicture %d of %d%s", (int)done, (int)of, done == of ? "\n" : "");
}

static json_t *um(double nm)
{
    return json_rounded(nm / 1000, 2);
}

static int keep(const struct axis_session *s, const struct calibration *r, json_t *out, struct err *why)
{
    char path[PATH_ROOM];
    struct mark m = {.position_nm = r->backlash_nm > 0 ? llround(r->backlash_nm) : 0,
                     .uncertainty_nm = llround(r->backlash_uncertainty_nm)};
    json_t *at = json_utc(sched_wall_us(s->rig->sched));
    snprintf(m.at, sizeof m.at, "%s", json_string_value(at));
    json_decref(at);
    snprintf(m.how, sizeof m.how, "from pictures on the way forth and back");
    int rc = marks_path(s->job.bench.path, path, why);
    if (!rc) rc = bench_measured_write(s->job.bench.path, &m, why);
    if (!rc) json_object_set_new(out, "measured_file", json_text(path));
    return rc;
}

static void describe(const struct axis_session *s, const struct calibration *r, json_t *out)
{
    const double count_nm = (double)axis_session_nm(s, 1000) / 1000;
    json_t *o = json_object();
    json_object_set_new(o, "from_mm", json_mm(r->from_nm));
    json_object_set_new(o, "to_mm", json_mm(r->to_nm));
    json_object_set_new(o, "step_um", json_um(r->step_nm));
    json_object_set_new(o, "pictures", json_integer(r->frames));
    json_object_set_new(o, "places", json_integer(r->places));
    json_object_set_new(o, "backlash_um", um(r->backlash_nm));
    json_object_set_new(o, "backlash_uncertainty_um", um(r->backlash_uncertainty_nm));
    json_object_set_new(o, "backlash_counts", json_rounded(r->backlash_nm / count_nm, 1));
    json_object_set_new(o, "long_ways", json_integer(r->ways));
    json_object_set_new(o, "lost_um", um(r->lost_nm));
    json_object_set_new(o, "lost_uncertainty_um", um(r->lost_uncertainty_nm));
    json_object_set_new(o, "repeat_um", um(r->repeat_nm));
    json_object_set_new(o, "focus_width_um", um(r->focus_width_nm));
    json_object_set_new(o, "focus_width_counts", json_rounded(r->focus_width_nm / count_nm, 1));
    json_object_set_new(out, "calibration", o);
}

int cmd_axis_calibrate(struct cmd *c, struct axis_session *s, json_t *out, struct err *why)
{
    struct calibrate_opts o = {.at_given = cmd_text(c, "at") != NULL, .progress = progress, .arg = c};
    struct calibration r;
    int rc = o.at_given ? cmd_length("calibrate --at", cmd_text(c, "at"), &o.at_nm, why) : E_OK;
    if (!rc) rc = calibrate_axis(s, &o, &r, why);
    if (!rc) rc = keep(s, &r, out, why);
    if (!rc) describe(s, &r, out);
    return rc;
}

void cmd_axis_calibrate_text(FILE *out, const json_t *result)
{
    const json_t *r = json_object_get(result, "calibration");
    if (!r) return;
    const double lost = json_get_number(r, "lost_um"), sigma = json_get_number(r, "lost_uncertainty_um"),
                 repeat = json_get_number(r, "repeat_um");
    fprintf(out, "  play: %.2f um (%.1f counts), uncertain by %.2f um; from %.0f places in %.0f pictures\n",
            json_get_number(r, "backlash_um"), json_get_number(r, "backlash_counts"),
            json_get_number(r, "backlash_uncertainty_um"), json_get_number(r, "places"),
            json_get_number(r, "pictures"));
    fprintf(out, "  after %.0f long ways it stands %+.2f um off, uncertain by %.2f um%s\n",
            json_get_number(r, "long_ways"), lost, sigma,
            fabs(lost) > 4 * sigma ? ": steps were lost, or the set moved" : ": nothing was lost");
    if (!isnan(repeat)) fprintf(out, "  a place is met again within %.2f um (one sigma)\n", repeat);
    fprintf(out, "  the focus is %.1f um wide (%.1f counts; half of the sharpness)\n",
            json_get_number(r, "focus_width_um"), json_get_number(r, "focus_width_counts"));
    fprintf(out, "  kept in %s, which comes before the bench file's\n",
            json_get_text(result, "measured_file"));
}
