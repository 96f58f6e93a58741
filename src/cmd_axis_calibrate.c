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

#define LONG_UM 1000 /* shorter moves end before the motor is at full speed, often (guess) */

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
    struct bench_measured m = s->job.bench.measured; /* what is not measured anew stays */
    json_t *at = json_utc(sched_wall_us(s->rig->sched));
    m.backlash = (struct mark){.position_nm = r->backlash_nm > 0 ? llround(r->backlash_nm) : 0,
                               .uncertainty_nm = llround(r->backlash_uncertainty_nm)};
    snprintf(m.backlash.at, sizeof m.backlash.at, "%s", json_string_value(at));
    snprintf(m.backlash.how, sizeof m.backlash.how, "from pictures on the way forth and back");
    if (r->sizes.named && isfinite(r->sizes.ratio[0])) {
        const bool large = isfinite(r->sizes.ratio[1]);
        m.medium_to_small = r->sizes.ratio[0];
        m.medium_uncertainty = r->sizes.uncertainty[0];
        m.large_to_medium = large ? r->sizes.ratio[1] : 0;
        m.large_uncertainty = large ? r->sizes.uncertainty[1] : 0;
        snprintf(m.sizes_at, sizeof m.sizes_at, "%s", json_string_value(at));
    }
    json_decref(at);
    int rc = marks_path(s->job.bench.path, path, why);
    if (!rc) rc = bench_measured_write(s->job.bench.path, &m, why);
    if (!rc) json_object_set_new(out, "measured_file", json_text(path));
    return rc;
}

static json_t *way_json(const struct calibration_way *w, double count_nm)
{
    const double short_nm = w->seen ? w->short_nm : NAN, sigma_nm = w->seen ? w->uncertainty_nm : NAN;
    json_t *o = json_object();
    json_object_set_new(o, "toward", json_text(w->forth ? "subject" : "camera"));
    json_object_set_new(o, "times", json_integer(w->times));
    json_object_set_new(o, "length_um", json_um(w->length_nm));
    json_object_set_new(o, "short_um", um(short_nm));
    json_object_set_new(o, "short_uncertainty_um", um(sigma_nm));
    json_object_set_new(o, "short_counts", json_rounded(short_nm / count_nm, 1));
    json_object_set_new(o, "lost", json_boolean(w->lost));
    return o;
}

static json_t *ways_json(const struct calibration *r, double count_nm)
{
    json_t *list = json_array();
    for (int32_t i = 0; i < r->way_count; i++)
        json_array_append_new(list, way_json(&r->ways[i], count_nm));
    return list;
}

static json_t *sizes_json(const struct calibration_sizes *z)
{
    json_t *o = json_object();
    if (!z->orders[0]) {
        json_decref(o);
        return json_null();
    }
    json_object_set_new(o, "named", json_boolean(z->named));
    json_object_set_new(o, "orders", json_pack("[iii]", z->orders[0], z->orders[1], z->orders[2]));
    json_object_set_new(o, "medium_to_small", json_rounded(z->ratio[0], 4));
    json_object_set_new(o, "medium_to_small_uncertainty", json_rounded(z->uncertainty[0], 4));
    json_object_set_new(o, "large_to_medium", json_rounded(z->ratio[1], 4));
    json_object_set_new(o, "large_to_medium_uncertainty", json_rounded(z->uncertainty[1], 4));
    return o;
}

static void describe(const struct axis_session *s, const struct calibration *r, json_t *out)
{
    const double count_nm = (double)axis_session_nm(s, 1000) / 1000;
    json_t *o = json_object();
    json_object_set_new(o, "sizes", sizes_json(&r->sizes));
    json_object_set_new(o, "from_mm", json_mm(r->from_nm));
    json_object_set_new(o, "to_mm", json_mm(r->to_nm));
    json_object_set_new(o, "step_um", json_um(r->step_nm));
    json_object_set_new(o, "pictures", json_integer(r->frames));
    json_object_set_new(o, "places", json_integer(r->places));
    json_object_set_new(o, "backlash_um", um(r->backlash_nm));
    json_object_set_new(o, "backlash_uncertainty_um", um(r->backlash_uncertainty_nm));
    json_object_set_new(o, "backlash_counts", json_rounded(r->backlash_nm / count_nm, 1));
    json_object_set_new(o, "before_um", um(r->before_nm));
    json_object_set_new(o, "lost_before", json_boolean(r->lost_before));
    json_object_set_new(o, "ways", ways_json(r, count_nm));
    json_object_set_new(o, "lost_um", um(r->lost_nm));
    json_object_set_new(o, "lost_uncertainty_um", um(r->lost_uncertainty_nm));
    json_object_set_new(o, "repeat_um", um(r->repeat_nm));
    json_object_set_new(o, "repeat_uncertainty_um", um(r->repeat_uncertainty_nm));
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

bool cmd_axis_calibrate_grave(const json_t *result)
{
    const json_t *r = json_object_get(result, "calibration"), *w;
    size_t i;
    json_array_foreach (json_object_get(r, "ways"), i, w) {
        if (json_is_true(json_object_get(w, "lost"))) return true;
    }
    return false;
}

static void ratio_text(FILE *out, const json_t *z, const char *key, const char *what)
{
    char sigma[64];
    snprintf(sigma, sizeof sigma, "%s_uncertainty", key);
    if (json_is_number(json_object_get(z, key)))
        fprintf(out, "%s %.3f, uncertain by %.3f", what, json_get_number(z, key), json_get_number(z, sigma));
    else
        fprintf(out, "%s could not be told", what);
}

static void sizes_text(FILE *out, const json_t *z)
{
    if (!json_is_object(z)) return;
    const json_t *orders = json_object_get(z, "orders");
    if (json_is_true(json_object_get(z, "named")))
        fputs("  sizes of its motor: ", out);
    else
        fprintf(out, "  orders of %d, %d and %d counts: ", (int)json_integer_value(json_array_get(orders, 0)),
                (int)json_integer_value(json_array_get(orders, 1)),
                (int)json_integer_value(json_array_get(orders, 2)));
    ratio_text(out, z, "medium_to_small", "medium to small");
    if (json_integer_value(json_array_get(orders, 2)))
        ratio_text(out, z, "large_to_medium", "; large to medium");
    fputc('\n', out);
}

static void way_text(FILE *out, const json_t *w)
{
    char moves[64];
    const double times = json_get_number(w, "times"), length = json_get_number(w, "length_um");
    const bool lost = json_is_true(json_object_get(w, "lost"));
    if (times > 1)
        snprintf(moves, sizeof moves, "%.0f moves of %.0f um", times, length);
    else
        snprintf(moves, sizeof moves, "one of %.0f um", length);
    fprintf(out, "    %-22s %-7s  ", moves, strcmp(json_get_text(w, "toward"), "subject") ? "back" : "forth");
    if (!json_is_number(json_object_get(w, "short_um")))
        fputs("LOST SIGHT: what was in focus is so no more\n", out);
    else if (lost)
        fprintf(out, "LOST %.1f um (%.0f counts), uncertain by %.2f um\n", json_get_number(w, "short_um"),
                json_get_number(w, "short_counts"), json_get_number(w, "short_uncertainty_um"));
    else
        fprintf(out, "nothing lost (%+.2f um, uncertain by %.2f um)\n", json_get_number(w, "short_um"),
                json_get_number(w, "short_uncertainty_um"));
}

/* What to do, by the shortest moves that lose. */
static void advice_text(FILE *out, const json_t *result, const json_t *r)
{
    const json_t *ways = json_object_get(r, "ways"), *w;
    const bool before = json_is_true(json_object_get(r, "lost_before"));
    double shortest = INFINITY;
    size_t i;
    json_array_foreach (ways, i, w)
        if (json_is_true(json_object_get(w, "lost")))
            shortest = fmin(shortest, json_get_number(w, "length_um"));
    if (before || !json_is_number(json_object_get(r, "before_um")))
        fprintf(
            out,
            "  already the first sweeps, in moves of %.1f um, moved it off its place: hold the set and the "
            "ruler fast, and leave the bench alone meanwhile\n",
            json_get_number(r, "step_um"));
    if (!isfinite(shortest)) return;
    if (!strcmp(json_get_text(result, "axis"), "lens"))
        fputs(
            "  the lens's motor does not go as far as it is told: is its barrel free, is its range from stop "
            "to stop, is the battery full?\n",
            out);
    else
        fprintf(
            out,
            "  moves from %.0f um on lose steps: lower speed_mm_per_s%s in the bench file, give the motor "
            "more current, look for what rubs; home the axis and calibrate again. Do not shoot before "
            "nothing is lost\n",
            shortest, shortest < LONG_UM ? " and start_mm_per_s" : "");
}

void cmd_axis_calibrate_text(FILE *out, const json_t *result)
{
    const json_t *r = json_object_get(result, "calibration"), *w;
    size_t i;
    if (!r) return;
    sizes_text(out, json_object_get(r, "sizes"));
    fprintf(out, "  play: %.2f um (%.1f counts), uncertain by %.2f um; from %.0f places in %.0f pictures\n",
            json_get_number(r, "backlash_um"), json_get_number(r, "backlash_counts"),
            json_get_number(r, "backlash_uncertainty_um"), json_get_number(r, "places"),
            json_get_number(r, "pictures"));
    fputs("  steps, at full speed:\n", out);
    json_array_foreach (json_object_get(r, "ways"), i, w)
        way_text(out, w);
    if (json_is_number(json_object_get(r, "repeat_um")))
        fprintf(out, "  a place is met again within %.2f um (one sigma), uncertain by %.2f um\n",
                json_get_number(r, "repeat_um"), json_get_number(r, "repeat_uncertainty_um"));
    fprintf(out, "  the focus is %.1f um wide (%.1f counts; half of the sharpness)\n",
            json_get_number(r, "focus_width_um"), json_get_number(r, "focus_width_counts"));
    advice_text(out, result, r);
    fprintf(out, "  kept in %s, which comes before the bench file's\n",
            json_get_text(result, "measured_file"));
}
