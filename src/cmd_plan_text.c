/* cmd_plan_text.c - a plan to read at the bench. Everything comes out of the JSON object; nothing is computed
 * here but the look of a number. */
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include "base/json.h"
#include "cmd.h"
#include "cmd_plan.h"

#define LEFT      "  %-10s "
#define WIDTH     100
#define LOOK_ROOM 64

struct look {
    char text[LOOK_ROOM];
};

static const json_t *part(const json_t *r, const char *key)
{
    return json_object_get(r, key);
}

static double number(const json_t *object, const char *key)
{
    return json_get_number(object, key);
}

static bool yes(const json_t *object, const char *key)
{
    return json_is_true(json_object_get(object, key));
}

/* Three digits that say something, never an exponent: 0.0906, 45.3, 3490. */
static struct look show(double value)
{
    struct look out;
    const double size = fabs(value);
    const int decimals = size >= 99.95 || size == 0 ? 0
                         : size >= 9.995            ? 1
                         : size >= 0.9995           ? 2
                         : size >= 0.09995          ? 3
                                                    : 4;
    snprintf(out.text, sizeof out.text, "%.*f", decimals, value == 0 ? 0.0 : value);
    char *end = out.text + strlen(out.text);
    if (strchr(out.text, '.')) {
        while (end[-1] == '0')
            *--end = '\0';
        if (end[-1] == '.') end[-1] = '\0';
    }
    return out;
}

/* As written by hand: 0.25, 1800, 3.4. */
static struct look plain(double value)
{
    struct look out;
    snprintf(out.text, sizeof out.text, "%.10g", value);
    return out;
}

static struct look duration(double seconds)
{
    struct look out;
    const long whole = lround(seconds);
    if (seconds < 99.95)
        snprintf(out.text, sizeof out.text, "%.3g s", seconds);
    else if (whole < 3600 && whole % 60 == 0)
        snprintf(out.text, sizeof out.text, "%ld min", whole / 60);
    else if (whole < 3600)
        snprintf(out.text, sizeof out.text, "%ld min %ld s", whole / 60, whole % 60);
    else
        snprintf(out.text, sizeof out.text, "%ld h %ld min", whole / 3600, whole % 3600 / 60);
    return out;
}

static struct look percent(double fraction)
{
    struct look out;
    snprintf(out.text, sizeof out.text, "%.0f %%", round(100 * fraction) + 0.0); /* never -0 */
    return out;
}

/* What no time here counts. */
static const char *besides(const json_t *r)
{
    const json_t *t = part(r, "timeline");
    const bool hand = yes(t, "by_hand"), others = yes(t, "fired_by_others");
    return hand && others ? " plus the turning and the shutter"
           : hand         ? " plus the turning"
           : others       ? " plus the wait for each frame"
                          : "";
}

static void print_head(FILE *out, const json_t *r)
{
    const char *bench = json_get_text(r, "bench");
    fprintf(out, "%s%s%s: %.0f slices, %s um apart, %s%s\n", json_get_text(r, "job"), *bench ? ", " : "",
            bench, number(part(r, "slices"), "count"), show(number(part(r, "spacing"), "spacing_um")).text,
            duration(number(part(r, "timeline"), "total_s")).text, besides(r));
}

static void print_picture(FILE *out, const json_t *r)
{
    const json_t *p = part(r, "picture");
    fprintf(out, LEFT "%s mm across and %s mm high, at %s x; a pixel is %s um of the subject\n", "picture",
            show(number(p, "field_width_mm")).text, show(number(p, "field_height_mm")).text,
            show(number(p, "magnification")).text, show(number(p, "pixel_on_subject_um")).text);
}

static void print_aperture(FILE *out, const json_t *r)
{
    const json_t *o = part(r, "optics");
    const double marked = number(o, "marked_f_number");
    if (isnan(marked)) {
        fprintf(out, LEFT "f/%s effective, NA %s\n", "aperture", show(number(o, "effective_f_number")).text,
                show(number(o, "na")).text);
        return;
    }
    fprintf(out, LEFT "f/%s works as f/%s, needing %s x the light (%s stops); NA %s\n", "aperture",
            plain(marked).text, show(number(o, "effective_f_number")).text,
            show(number(o, "exposure_factor")).text, show(number(o, "exposure_stops")).text,
            show(number(o, "na")).text);
    if (yes(o, "pupil_ratio_assumed"))
        fprintf(out, LEFT "pupil ratio taken as %s; at %s it would be f/%s, at %s f/%s\n", "",
                plain(number(o, "pupil_ratio")).text, plain(number(o, "pupil_ratio_low")).text,
                show(number(o, "effective_f_number_at_low")).text, plain(number(o, "pupil_ratio_high")).text,
                show(number(o, "effective_f_number_at_high")).text);
}

static void print_depth(FILE *out, const json_t *r)
{
    const json_t *o = part(r, "optics");
    fprintf(out, LEFT "%s um deep: %s by rays (blur up to %s pixels) and %s by waves (a quarter wave)\n",
            "sharp", show(number(o, "depth_um")).text, show(number(o, "geometric_depth_um")).text,
            plain(number(o, "blur_limit_px")).text, show(number(o, "wave_depth_um")).text);
    fprintf(out, LEFT "the smallest spot (Airy disc) is %s um on the sensor, %s pixels\n", "",
            show(number(o, "airy_diameter_um")).text, show(number(o, "airy_diameter_px")).text);
}

static void print_spacing(FILE *out, const json_t *r)
{
    const json_t *s = part(r, "spacing");
    const char *by = json_get_text(s, "by");
    const double allowed = number(s, "contrast_allowed");
    fprintf(out, LEFT "%s um, overlap %s: midway, detail of %s lp/mm keeps %s of its contrast\n", "spacing",
            show(number(s, "spacing_um")).text, percent(number(s, "overlap")).text,
            show(number(s, "test_frequency_lp_per_mm")).text, percent(number(s, "contrast_midway")).text);
    if (!isnan(allowed))
        fprintf(out, LEFT "%s um would keep %s, the least allowed", "", show(number(s, "wanted_um")).text,
                percent(allowed).text);
    else
        fprintf(out, LEFT "%s um by the job's %s", "", show(number(s, "wanted_um")).text, by);
    fputs(yes(s, "ends_on_far_mark") ? "; closer to end on the far mark\n" : "\n", out);
}

static void print_slices(FILE *out, const json_t *r)
{
    const json_t *s = part(r, "slices");
    fprintf(out, LEFT "%.0f from near (%s mm) to far (%s mm), margin of %.0f before and %.0f beyond\n",
            "slices", number(s, "inner"), show(number(s, "near_mm")).text, show(number(s, "far_mm")).text,
            number(s, "margin_near"), number(s, "margin_far"));
}

static void print_travel(FILE *out, const json_t *r)
{
    const json_t *t = part(r, "travel");
    const double clearance = number(t, "clearance_mm");
    fprintf(out, LEFT "%s to %s mm, each slice from the near side, take-up of %s um before the first\n",
            "travel", show(number(t, "first_mm")).text, show(number(t, "last_mm")).text,
            show(number(t, "take_up_um")).text);
    fprintf(out, LEFT "%s mm toward the subject from the near mark", "",
            show(number(t, "toward_subject_mm")).text);
    if (!isnan(clearance)) fprintf(out, ", of %s mm allowed", show(clearance).text);
    fputc('\n', out);
}

static void print_compose(FILE *out, const json_t *r)
{
    const json_t *c = part(r, "compose");
    const double looser = number(c, "looser");
    if (isnan(looser)) return;
    struct look more;
    snprintf(more.text, sizeof more.text, "%.1f %%", 100 * looser);
    fprintf(out, LEFT "%s looser at the near mark: the view narrows as the axis goes in\n", "compose",
            more.text);
}

static void print_time(FILE *out, const json_t *r)
{
    const json_t *t = part(r, "timeline");
    const double recycle = number(t, "recycle_s"), busy = number(t, "camera_busy_s"),
                 lag = number(t, "shutter_lag_ms"), quiet = number(t, "quiet_frame_s");
    fprintf(out, LEFT "%s%s: after a delay of %s s, %s s a slice, %s%s s for the closing frame", "time",
            duration(number(t, "total_s")).text, besides(r), show(number(t, "start_delay_s")).text,
            show(number(t, "slice_s")).text, quiet > 0 ? "" : "and ", show(number(t, "closing_s")).text);
    if (quiet > 0) fprintf(out, ", and %s s for the quiet one, most of it rest", show(quiet).text);
    fputs("\n", out);
    if (yes(t, "by_hand"))
        fprintf(out, LEFT "a slice: the turning, settle %s ms, ", "", show(number(t, "settle_ms")).text);
    else
        fprintf(out, LEFT "a slice: move %s ms, settle %s ms, ", "", show(number(t, "move_ms")).text,
                show(number(t, "settle_ms")).text);
    if (lag > 0) fprintf(out, "shutter lag %s ms, ", show(lag).text);
    fprintf(out, "expose %s s\n", plain(number(t, "exposure_s")).text);
    if (busy > 0) fprintf(out, LEFT "the camera is busy for %s s after each\n", "", plain(busy).text);
    if (recycle > 0) fprintf(out, LEFT "the flash takes %s s to recycle\n", "", show(recycle).text);
}

static void print_shape(FILE *out, const json_t *r)
{
    const json_t *s = part(r, "shape");
    if (!json_is_object(s)) return;
    const char *by = json_string_value(json_object_get(s, "by"));
    const double box = number(s, "box_periods"), wait = number(s, "wait_ms");
    if (isnan(box))
        fprintf(out, LEFT "each move by the ramp", "");
    else
        fprintf(out, LEFT "each move shaped, %s and a box of %s period%s", "",
                strcmp(by, "zvd") ? "ZVDD" : "ZVD", plain(box).text, box == 1 ? "" : "s");
    fprintf(out, ", for %s Hz within %s: at most %s um left\n", plain(number(s, "ring_hz")).text,
            percent(number(s, "ring_uncertainty")).text, show(number(s, "left_um")).text);
    if (wait > 0)
        fprintf(out, LEFT "%s ms until that is less than %s um\n", "", show(wait).text,
                plain(number(s, "budget_um")).text);
}

/* --- --within --- */

static void print_ways(FILE *out, const json_t *w)
{
    const double settle = number(w, "settle_ms_that_fits"), stop = number(w, "f_number_that_fits");
    const double depth = number(w, "depth_mm_that_fits");
    if (!isnan(settle)) fprintf(out, LEFT "or settle for at most %s ms\n", "", plain(settle).text);
    if (!isnan(stop)) fprintf(out, LEFT "or close the aperture to f/%s\n", "", plain(stop).text);
    if (!isnan(depth)) fprintf(out, LEFT "or shoot %s mm of the depth\n", "", show(depth).text);
}

static void print_within(FILE *out, const json_t *r)
{
    const json_t *w = part(r, "within");
    if (!w) return;
    fprintf(out, LEFT "in %s%s: %s\n", "within", duration(number(w, "limit_s")).text, besides(r),
            yes(w, "job_fits") ? "this fits" : "this does not fit");
    fprintf(out, LEFT "the closest spacing that fits is %s um: %.0f slices, %s, contrast midway %s\n", "",
            show(number(w, "closest_spacing_um")).text, number(w, "slices"),
            duration(number(w, "total_s")).text, percent(number(w, "contrast_midway")).text);
    if (!yes(w, "job_fits")) print_ways(out, w);
}

/* --- --compare --- */

static void print_row(FILE *out, const json_t *row, const char *first)
{
    fprintf(out, "  %s %-14s", yes(row, "own") ? ">" : " ", first);
    if (!yes(row, "possible")) {
        fputs("not possible\n", out);
        return;
    }
    fprintf(out, "%9s", show(number(row, "effective_f_number")).text);
    fprintf(out, "%9s", show(number(row, "airy_diameter_px")).text);
    fprintf(out, "%9s", percent(number(row, "contrast_in_focus")).text);
    fprintf(out, "%9s", show(number(row, "depth_um")).text);
    fprintf(out, "%10s", show(number(row, "spacing_um")).text);
    fprintf(out, "%9s", percent(number(row, "overlap")).text);
    fprintf(out, "%9s", percent(number(row, "contrast_midway")).text);
    fprintf(out, "%8.0f", number(row, "slices"));
    fprintf(out, "  %s\n", duration(number(row, "total_s")).text);
}

static void print_aperture_row(FILE *out, const json_t *row)
{
    const double marked = number(row, "marked_f_number");
    char first[LOOK_ROOM + 16];
    snprintf(first, sizeof first, "f/%s",
             isnan(marked) ? show(number(row, "effective_f_number")).text : plain(marked).text);
    print_row(out, row, first);
}

static void print_spacing_row(FILE *out, const json_t *row)
{
    const double overlap = number(row, "overlap_asked");
    const bool by_contrast = isnan(overlap);
    char first[LOOK_ROOM + 16];
    snprintf(first, sizeof first, "%s%s", by_contrast ? "drop of " : "overlap ",
             percent(by_contrast ? number(row, "contrast_drop") : overlap).text);
    print_row(out, row, first);
}

static void print_choices(FILE *out, const json_t *r)
{
    const json_t *c = part(r, "compare");
    size_t i;
    json_t *row;
    if (!c) return;
    fprintf(out, "\n  %-16s%9s%9s%9s%9s%10s%9s%9s%8s  %s\n", "", "works as", "spot", "contrast", "depth",
            "spacing", "overlap", "midway", "slices", "time");
    fprintf(out, "  %-16s%9s%9s%9s%9s%10s\n", "", "f/", "px", "", "um", "um");
    json_array_foreach (part(c, "apertures"), i, row)
        print_aperture_row(out, row);
    if (i) fputc('\n', out);
    json_array_foreach (part(c, "spacings"), i, row)
        print_spacing_row(out, row);
    fputs("  contrast: what diffraction leaves of detail at half the sensor's limit; midway: how much of "
          "that is\n"
          "  left between two slices; > as the job has it\n",
          out);
}

/* --- where the numbers came from --- */

static void print_value(char *text, size_t room, const json_t *row)
{
    const json_t *value = part(row, "value");
    const char *key = json_get_text(row, "key"),
               *line_word = json_is_null(part(row, "line")) ? "" : ", line ";
    struct look shown = {""};
    if (json_is_number(value)) shown = plain(json_number_value(value));
    if (json_is_string(value)) snprintf(shown.text, sizeof shown.text, "%s", json_string_value(value));
    if (json_is_boolean(value))
        snprintf(shown.text, sizeof shown.text, "%s", json_is_true(value) ? "true" : "false");
    const char *at = json_get_text(row, "at");
    snprintf(text, room, "%s %s%s%s%s%s%s%s", key, shown.text, line_word,
             *line_word ? plain(number(row, "line")).text : "", *at ? ", measured " : "", at, *at ? " " : "",
             json_get_text(row, "how"));
}

static void print_from(FILE *out, const json_t *inputs, const char *from, const char *title, const char *file)
{
    size_t i;
    json_t *row;
    int column = 0;
    json_array_foreach (inputs, i, row) {
        char text[160];
        if (strcmp(json_get_text(row, "from"), from) != 0) continue;
        print_value(text, sizeof text, row);
        const int length = (int)strlen(text);
        if (!column) {
            column = fprintf(out, "  %s%s%s: ", title, *file ? " " : "", file);
        } else if (column + length + 2 > WIDTH) {
            column = fprintf(out, ";\n    ") - 2;
        } else {
            column += fprintf(out, "; ");
        }
        column += fprintf(out, "%s", text);
    }
    if (column) fputc('\n', out);
}

static void print_inputs(FILE *out, const json_t *r)
{
    const json_t *inputs = part(r, "inputs");
    fputc('\n', out);
    print_from(out, inputs, "job", "from", json_get_text(r, "job_file"));
    print_from(out, inputs, "measured", "found at the bench", "");
    print_from(out, inputs, "bench", "from", json_get_text(r, "bench_file"));
    print_from(out, inputs, "default", "by default", "");
}

void plan_text(FILE *out, const json_t *r)
{
    print_head(out, r);
    print_picture(out, r);
    print_aperture(out, r);
    print_depth(out, r);
    print_spacing(out, r);
    print_slices(out, r);
    print_travel(out, r);
    print_compose(out, r);
    print_time(out, r);
    print_shape(out, r);
    print_within(out, r);
    print_choices(out, r);
    print_inputs(out, r);
    if (json_array_size(part(r, "findings"))) fputc('\n', out);
    cmd_print_findings(out, r);
}
