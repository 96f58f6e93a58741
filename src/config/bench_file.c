/* bench_file.c - the keys of a bench file. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "base/units.h"
#include "config/bench_measured.h"
#include "config/config.h"
#include "config/reader.h"
#include "config/value.h"

#define RING_ZETA  0.02 /* where the bench gives none: metal on metal rings so or a little shorter (guess) */
#define RING_SHARE 0.10 /* a count of waves in a short recording is about so good (guess) */

#define PARTS_PER_MARK 2      /* of a knob: an eye tells half a mark; our choice */
#define HALF_PRESS_US  300000 /* a sleeping body wakes, and its meter; guess */
#define PRESS_US       100000 /* long enough for any body, too short for a second frame; guess */
#define AT(member)     offsetof(struct bench, member)

/* Ranges: wide enough for anything that stands on a bench, narrow enough to catch a slip of the unit
 * (guesses). */
static const struct key_row rows[] = {
    {"name", VALUE_NAME, false, AT(name), 0, 0, NULL},
    {"camera.kind", VALUE_NAME, false, AT(camera.kind), 0, 0, NULL},
    {"camera.width_px", VALUE_INTEGER, true, AT(camera.width_px), 16, 30000, NULL},
    {"camera.height_px", VALUE_INTEGER, true, AT(camera.height_px), 16, 30000, NULL},
    {"camera.sensor_width_mm", VALUE_MM, true, AT(camera.sensor_width_nm), 1, 200, NULL},
    {"camera.shutter_lag_ms", VALUE_MS, false, AT(camera.shutter_lag_us), 0, 5000, NULL},
    {"camera.mirror_up_s", VALUE_S, false, AT(camera.mirror_up_us), 0.1, 20, NULL},
    {"camera.sync_s", VALUE_S, false, AT(camera.sync_us), 0.0001, 1, NULL},
    {"camera.busy_s", VALUE_S, false, AT(camera.busy_us), 0, 120, NULL},
    {"camera.port", VALUE_TEXT, false, AT(camera.port), 0, 0, NULL},
    {"camera.target", VALUE_WORD, false, AT(camera.target), 0, 0, "card ram"},
    {"camera.fetch", VALUE_WORD, false, AT(camera.fetch), 0, 0, "all jpeg"},
    {"camera.f_number_shown", VALUE_WORD, false, AT(camera.shows), 0, 0, "marked effective"},
    {"camera.folder", VALUE_PATH, false, AT(camera.folder), 0, 0, NULL},
    {"camera.raw_and_jpeg", VALUE_FLAG, false, AT(camera.raw_and_jpeg), 0, 0, NULL},
    {"camera.wait_s", VALUE_S, false, AT(camera.wait_us), 1, 86400, NULL},
    {"camera.half_press_ms", VALUE_MS, false, AT(camera.half_press_us), 0, 10000, NULL},
    {"camera.press_ms", VALUE_MS, false, AT(camera.press_us), 10, 2000, NULL},
    {"camera.bulb_from_s", VALUE_S, false, AT(camera.bulb_from_us), 0.01, 600, NULL},
    {"axis.kind", VALUE_NAME, false, AT(axis.kind), 0, 0, NULL},
    {"axis.link", VALUE_TEXT, false, AT(axis.link), 0, 0, NULL},
    {"axis.baud", VALUE_INTEGER, false, AT(axis.baud), 115200, 250000, NULL},
    {"axis.world", VALUE_TEXT, false, AT(axis.world), 0, 0, NULL},
    {"axis.lead_mm", VALUE_MM, false, AT(axis.lead_nm), 0.01, 100, NULL},
    {"axis.steps_per_rev", VALUE_INTEGER, false, AT(axis.steps_per_rev), 1, 100000, NULL},
    {"axis.microsteps", VALUE_INTEGER, false, AT(axis.microsteps), 1, 256, NULL},
    {"axis.marks_per_turn", VALUE_INTEGER, false, AT(axis.steps_per_rev), 1, 100000, NULL},
    {"axis.parts_per_mark", VALUE_INTEGER, false, AT(axis.microsteps), 1, 100, NULL},
    {"axis.clearance_mm", VALUE_MM, false, AT(axis.clearance_nm), 0.001, 2000, NULL},
    {"axis.backlash_um", VALUE_UM, false, AT(axis.backlash_nm), 0, 5000, NULL},
    {"axis.speed_mm_per_s", VALUE_MM, false, AT(axis.speed_nm_per_s), 0.001, 200, NULL},
    {"axis.start_mm_per_s", VALUE_MM, false, AT(axis.start_nm_per_s), 0.001, 200, NULL},
    {"axis.avoid_mm_per_s", VALUE_NAME, false, AT(axis.avoid), 0, 0, NULL},
    {"axis.ring_hz", VALUE_REAL, false, AT(axis.ring_hz), 0.5, 500, NULL},
    {"axis.ring_zeta", VALUE_REAL, false, AT(axis.ring_zeta), 0.001, 0.5, NULL},
    {"axis.ring_uncertainty", VALUE_REAL, false, AT(axis.ring_share), 0.005, 0.5, NULL},
    {"axis.um_per_count", VALUE_UM, false, AT(axis.lead_nm), 0.001, 10000, NULL},
    {"axis.backlash_counts", VALUE_INTEGER, false, AT(axis.backlash_counts), 0, 10000, NULL},
    {"axis.range_counts", VALUE_INTEGER, false, AT(axis.range_counts), 1, 1000000, NULL},
    {"axis.size_counts", VALUE_NAME, false, AT(axis.sizes), 0, 0, NULL},
    {"axis.rest_ms", VALUE_MS, false, AT(axis.rest_us), 1, 10000, NULL},
    {"lens.focal_length_mm", VALUE_MM, false, AT(lens.focal_length_nm), 0.5, 2000, NULL},
    {"lens.f_number", VALUE_REAL, false, AT(lens.f_number), 0.5, 128, NULL},
    {"lens.effective_f_number", VALUE_REAL, false, AT(lens.effective_f_number), 0.5, 1000, NULL},
    {"lens.na", VALUE_REAL, false, AT(lens.na), 0.001, 0.95, NULL},
    {"lens.pupil_ratio", VALUE_REAL, false, AT(lens.pupil_ratio), 0.05, 20, NULL},
    {"lens.teleconverter", VALUE_REAL, false, AT(lens.teleconverter), 0.5, 4, NULL},
    {"light.kind", VALUE_WORD, false, AT(light.kind), 0, 0, "continuous flash"},
    {"measured.backlash_um", VALUE_UM, false, AT(measured.backlash.position_nm), 0, 5000, NULL},
    {"measured.backlash_uncertainty_um", VALUE_UM, false, AT(measured.backlash.uncertainty_nm), 0, 5000,
     NULL},
    {"measured.backlash_at", VALUE_NAME, false, AT(measured.backlash.at), 0, 0, NULL},
    {"measured.backlash_how", VALUE_NAME, false, AT(measured.backlash.how), 0, 0, NULL},
    {"measured.medium_to_small", VALUE_REAL, false, AT(measured.medium_to_small), 1.5, 1000, NULL},
    {"measured.medium_to_small_uncertainty", VALUE_REAL, false, AT(measured.medium_uncertainty), 0, 1000,
     NULL},
    {"measured.large_to_medium", VALUE_REAL, false, AT(measured.large_to_medium), 1.2, 1000, NULL},
    {"measured.large_to_medium_uncertainty", VALUE_REAL, false, AT(measured.large_uncertainty), 0, 1000,
     NULL},
    {"measured.sizes_at", VALUE_NAME, false, AT(measured.sizes_at), 0, 0, NULL},
    {"light.recycle_s", VALUE_S, false, AT(light.recycle_us), 0, 600, NULL},
};

static const struct schema schema = {"bench file", rows, sizeof rows / sizeof *rows};

static int only_one(const struct bench *b, const char *first, const char *second, struct err *why)
{
    const int32_t one = origin_line(&b->origins, first), two = origin_line(&b->origins, second);
    if (!one || !two) return E_OK;
    return fail(why, E_INPUT, "%s:%d: both %s (line %d) and %s (line %d) are given; keep one", b->path,
                one > two ? one : two, first, one, second, two);
}

static int check_lens(const struct bench *b, struct err *why)
{
    int rc = only_one(b, "lens.f_number", "lens.effective_f_number", why);
    if (!rc) rc = only_one(b, "lens.f_number", "lens.na", why);
    if (!rc) rc = only_one(b, "lens.effective_f_number", "lens.na", why);
    if (rc) return rc;
    if (b->lens.f_number > 0 || b->lens.effective_f_number > 0 || b->lens.na > 0) return E_OK;
    return fail(why, E_INPUT,
                "%s:1: the lens has no aperture; under lens, write f_number, effective_f_number or na",
                b->path);
}

/* "0.8-1.2, 4-5": false when it is not that. */
static bool read_bands(struct axis_spec *a)
{
    const char *p = a->avoid;
    for (a->band_count = 0; a->band_count < BANDS_MOST; a->band_count++) {
        double lo, hi;
        p = value_real(p + strspn(p, " "), &lo);
        if (!p) return false;
        p += strspn(p, " ");
        if (*p++ != '-') return false;
        p = value_real(p + strspn(p, " "), &hi);
        if (!p || !(lo < hi && hi <= 200)) return false;
        a->bands[a->band_count] = (struct speed_band){nm_from_mm(lo), nm_from_mm(hi)};
        p += strspn(p, " ");
        if (!*p) {
            a->band_count++;
            return true;
        }
        if (*p++ != ',') return false;
    }
    return false;
}

static int check_ring(const struct bench *b, struct err *why)
{
    static const char *const keys[] = {"axis.ring_zeta", "axis.ring_uncertainty"};
    for (size_t i = 0; i < sizeof keys / sizeof *keys; i++)
        if (!(b->axis.ring_hz > 0) && origin_line(&b->origins, keys[i]))
            return fail(why, E_INPUT,
                        "%s:%d: %s says nothing without axis.ring_hz; write that, or leave this out", b->path,
                        origin_line(&b->origins, keys[i]), keys[i]);
    return E_OK;
}

/* Keys of one kind of device in the file of another. */
static int none_of(const struct bench *b, const char *const *keys, const char *of, struct err *why)
{
    for (; *keys; keys++)
        if (origin_line(&b->origins, *keys))
            return fail(why, E_INPUT, "%s:%d: %s is for %s; leave it out, or write another kind", b->path,
                        (int)origin_line(&b->origins, *keys), *keys, of);
    return E_OK;
}

static int needs(const struct bench *b, const char *section, const char *key, const char *what,
                 struct err *why)
{
    const int32_t line = origin_line(&b->origins, section);
    if (origin_line(&b->origins, key)) return E_OK;
    return fail(why, E_INPUT, "%s:%d: %s is missing; write %s", b->path, line ? (int)line : 1, key, what);
}

/* "6, 30": false when it is not that. */
static bool read_sizes(struct axis_spec *a)
{
    const char *p = a->sizes;
    double counts;
    for (size_t i = 0; i < sizeof a->size_counts / sizeof *a->size_counts; i++) {
        p = value_real(p + strspn(p, " "), &counts);
        if (!p || counts != floor(counts) || counts < 2 || counts > 10000) return false;
        if (i && counts <= a->size_counts[i - 1]) return false;
        a->size_counts[i] = (int32_t)counts;
        p += strspn(p, " ");
        if (!*p) return true;
        if (*p++ != ',') return false;
    }
    return false;
}

static int check_lens_drive(struct bench *b, struct err *why)
{
    static const char *const OF_OTHERS[] = {"axis.link",
                                            "axis.baud",
                                            "axis.world",
                                            "axis.lead_mm",
                                            "axis.steps_per_rev",
                                            "axis.microsteps",
                                            "axis.marks_per_turn",
                                            "axis.parts_per_mark",
                                            "axis.clearance_mm",
                                            "axis.backlash_um",
                                            "axis.speed_mm_per_s",
                                            "axis.start_mm_per_s",
                                            "axis.avoid_mm_per_s",
                                            "axis.ring_hz",
                                            "axis.ring_zeta",
                                            "axis.ring_uncertainty",
                                            NULL};
    struct axis_spec *a = &b->axis;
    int rc = none_of(b, OF_OTHERS, "a rail or a knob", why);
    if (!rc)
        rc = needs(b, "axis.kind", "axis.um_per_count",
                   "how far the plane of focus goes with the smallest step of the lens, in micrometres", why);
    if (rc) return rc;
    if (strcmp(b->camera.kind, "tethered") != 0 && strcmp(b->camera.kind, "simulated") != 0)
        return fail(
            why, E_INPUT,
            "%s:%d: axis.kind lens needs a camera that drives its lens; write camera.kind tethered, or "
            "another axis",
            b->path, (int)origin_line(&b->origins, "axis.kind"));
    if (a->sizes[0] && !read_sizes(a))
        return fail(why, E_INPUT,
                    "%s:%d: axis.size_counts: %s does not say how many of the smallest step a larger one is "
                    "worth; write one or two whole numbers that grow, as 6, 30",
                    b->path, (int)origin_line(&b->origins, "axis.size_counts"), a->sizes);
    a->steps_per_rev = a->microsteps = 1;
    a->backlash_nm = a->backlash_counts * a->lead_nm;
    return E_OK;
}

static int check_hand(const struct bench *b, struct err *why)
{
    static const char *const OF_A_RAIL[] = {"axis.link",
                                            "axis.baud",
                                            "axis.world",
                                            "axis.steps_per_rev",
                                            "axis.microsteps",
                                            "axis.speed_mm_per_s",
                                            "axis.start_mm_per_s",
                                            "axis.avoid_mm_per_s",
                                            "axis.ring_hz",
                                            "axis.ring_zeta",
                                            "axis.ring_uncertainty",
                                            NULL};
    int rc = none_of(b, OF_A_RAIL, "a motor rail", why);
    if (rc) return rc;
    return needs(b, "axis.kind", "axis.marks_per_turn",
                 "how many marks the knob's scale has, a whole number from 1 to 100000", why);
}

static int check_cable(struct bench *b, struct err *why)
{
    static const char *const OF_A_CABLE[] = {"camera.half_press_ms", "camera.press_ms", "camera.bulb_from_s",
                                             NULL};
    struct camera_spec *c = &b->camera;
    if (!c->by_cable) return none_of(b, OF_A_CABLE, "a camera of kind cable", why);
    if (b->axis.by_hand || b->axis.by_lens)
        return fail(why, E_INPUT,
                    "%s:%d: camera.kind cable is fired by the rail's controller, and axis.kind %s has none; "
                    "write axis.kind rail, or another camera",
                    b->path, (int)origin_line(&b->origins, "camera.kind"), b->axis.kind);
    if (b->axis.world[0])
        return fail(why, E_INPUT,
                    "%s:%d: axis.world is for a simulated camera; one of kind cable sees the real bench, so "
                    "leave it out",
                    b->path, (int)origin_line(&b->origins, "axis.world"));
    if (!origin_line(&b->origins, "camera.half_press_ms")) c->half_press_us = HALF_PRESS_US;
    if (!c->press_us) c->press_us = PRESS_US;
    return E_OK;
}

/* A first press, which only cameras that are fired from here can be given. */
static int check_mirror(const struct bench *b, struct err *why)
{
    const int32_t line = origin_line(&b->origins, "camera.mirror_up_s");
    if (!line) return E_OK;
    if (strcmp(b->camera.kind, "tethered") != 0 && !b->camera.by_cable)
        return fail(
            why, E_INPUT,
            "%s:%d: camera.mirror_up_s is for a camera of kind tethered or cable; leave it out, or write "
            "another kind",
            b->path, (int)line);
    if (b->axis.by_lens)
        return fail(
            why, E_INPUT,
            "%s:%d: camera.mirror_up_s is of no use with axis.kind lens: live view, by which the lens is "
            "driven, keeps the mirror up; leave it out",
            b->path, (int)line);
    return E_OK;
}

static int check_camera(const struct bench *b, struct err *why)
{
    static const char *const OF_A_FOLDER[] = {"camera.folder", "camera.raw_and_jpeg", "camera.wait_s", NULL};
    static const char *const OF_A_TETHERED[] = {"camera.port", "camera.target", "camera.fetch", NULL};
    int rc = check_mirror(b, why);
    if (!rc && strcmp(b->camera.kind, "tethered") != 0)
        rc = none_of(b, OF_A_TETHERED, "a camera of kind tethered", why);
    if (!rc && b->camera.target == TARGET_RAM && b->camera.fetch == FETCH_JPEG)
        rc = fail(
            why, E_INPUT,
            "%s:%d: camera.fetch jpeg leaves the raw on the card, and camera.target ram uses none; keep one",
            b->path, (int)origin_line(&b->origins, "camera.fetch"));
    if (rc) return rc;
    if (!b->camera.by_others) return none_of(b, OF_A_FOLDER, "a camera of kind folder", why);
    return needs(b, "camera.kind", "camera.folder", "the folder into which the frames come", why);
}

static const char *first_of_axis(const struct bench *b)
{
    for (int32_t i = 0; i < b->origins.count; i++)
        if (!strncmp(b->origins.rows[i].key, "axis.", 5)) return b->origins.rows[i].key;
    return "axis";
}

/* Travel of a turn: of rails and knobs alike. */
static int check_lead(const struct bench *b, struct err *why)
{
    static const char *const OF_A_LENS[] = {"axis.um_per_count", "axis.backlash_counts", "axis.range_counts",
                                            "axis.size_counts",  "axis.rest_ms",         NULL};
    int rc = none_of(b, OF_A_LENS, "a lens", why);
    return rc ? rc : needs(b, first_of_axis(b), "axis.lead_mm", "a number from 0.01 to 100", why);
}

static int check_rail(const struct bench *b, struct err *why)
{
    static const char *const OF_A_KNOB[] = {"axis.marks_per_turn", "axis.parts_per_mark", NULL};
    const struct axis_spec *a = &b->axis;
    int rc = none_of(b, OF_A_KNOB, "a knob turned by hand", why);
    if (!rc) rc = needs(b, "axis.lead_mm", "axis.steps_per_rev", "a whole number from 1 to 100000", why);
    if (!rc) rc = needs(b, "axis.lead_mm", "axis.microsteps", "a whole number from 1 to 256", why);
    if (rc) return rc;
    if (a->baud && a->baud != 115200 && a->baud != 250000)
        return fail(why, E_INPUT,
                    "%s:%d: axis.baud %d is not spoken by a controller; write 250000, or 115200 if it was "
                    "built for it",
                    b->path, origin_line(&b->origins, "axis.baud"), (int)a->baud);
    if (a->world[0] && (!a->link[0] || !strcmp(a->link, "simulated")))
        return fail(why, E_INPUT,
                    "%s:%d: axis.world is for a virtual rail behind a port; give that port as axis.link, or "
                    "leave it out",
                    b->path, origin_line(&b->origins, "axis.world"));
    return E_OK;
}

static int finish(struct bench *b, struct err *why)
{
    b->lens.pupil_ratio_given = b->lens.pupil_ratio != 0;
    if (!b->lens.pupil_ratio_given) b->lens.pupil_ratio = 1;
    if (b->lens.teleconverter == 0) b->lens.teleconverter = 1;
    if (!b->camera.kind[0]) snprintf(b->camera.kind, sizeof b->camera.kind, "simulated");
    if (b->axis.ring_hz > 0 && !(b->axis.ring_zeta > 0)) b->axis.ring_zeta = RING_ZETA;
    if (b->axis.ring_hz > 0 && !(b->axis.ring_share > 0)) b->axis.ring_share = RING_SHARE;
    if (b->axis.avoid[0] && !read_bands(&b->axis))
        return fail(
            why, E_INPUT,
            "%s:%d: axis.avoid_mm_per_s: %s is not a list of speeds; write at most %d ranges up to 200, "
            "as 0.8-1.2, 4-5",
            b->path, origin_line(&b->origins, "axis.avoid_mm_per_s"), b->axis.avoid, BANDS_MOST);
    if (!b->axis.kind[0]) snprintf(b->axis.kind, sizeof b->axis.kind, "rail");
    b->axis.by_hand = !strcmp(b->axis.kind, "hand");
    b->camera.by_others = !strcmp(b->camera.kind, "folder");
    b->camera.by_cable = !strcmp(b->camera.kind, "cable");
    b->axis.by_lens = !strcmp(b->axis.kind, "lens");
    int rc = b->axis.by_lens ? check_lens_drive(b, why) : check_lead(b, why);
    if (!rc && !b->axis.by_lens) rc = b->axis.by_hand ? check_hand(b, why) : check_rail(b, why);
    if (!rc) rc = check_ring(b, why);
    if (!rc) rc = check_camera(b, why);
    if (!rc) rc = check_cable(b, why);
    if (!rc) rc = check_lens(b, why);
    if (rc) return rc;
    if (b->axis.by_hand && !b->axis.microsteps) b->axis.microsteps = PARTS_PER_MARK;
    if (!b->axis.by_hand && !b->axis.by_lens && !b->axis.link[0])
        snprintf(b->axis.link, sizeof b->axis.link, "simulated");
    return E_OK;
}

/* Whole counts, since a lens is driven in them; what that leaves, and two sigma. */
static void apply_size(struct axis_spec *a, int i, double ratio, double uncertainty)
{
    a->size_counts[i] = (int32_t)lround(ratio);
    a->size_doubt[i] = (int32_t)ceil(fabs(ratio - a->size_counts[i]) + 2 * uncertainty);
}

static void apply_sizes(struct axis_spec *a, const struct bench_measured *m)
{
    const double large = m->medium_to_small * m->large_to_medium;
    if (!a->by_lens || !m->sizes_at[0] || !(m->medium_to_small > 0)) return;
    a->size_counts[1] = 0;
    apply_size(a, 0, m->medium_to_small, m->medium_uncertainty);
    snprintf(a->sizes, sizeof a->sizes, "%d", (int)a->size_counts[0]);
    if (lround(large) <= a->size_counts[0]) return;
    apply_size(a, 1, large,
               hypot(m->medium_uncertainty * m->large_to_medium, m->large_uncertainty * m->medium_to_small));
    snprintf(a->sizes, sizeof a->sizes, "%d, %d", (int)a->size_counts[0], (int)a->size_counts[1]);
}

/* What was measured comes before what the file says. */
static void apply_measured(struct bench *b)
{
    struct axis_spec *a = &b->axis;
    apply_sizes(a, &b->measured);
    if (!b->measured.backlash.at[0]) return;
    a->backlash_nm = b->measured.backlash.position_nm;
    if (a->by_lens && a->lead_nm > 0)
        a->backlash_counts = (int32_t)((a->backlash_nm + a->lead_nm / 2) / a->lead_nm);
}

int bench_parse(const char *text, const char *name, struct bench *out, struct err *why)
{
    struct bench b = {0};
    int rc = reader_resolve("", name, b.path, why);
    if (!rc) rc = reader_fill(text, name, &schema, &b, &b.origins, why);
    if (!rc) rc = finish(&b, why);
    if (!rc) apply_measured(&b);
    if (!rc) *out = b;
    return rc;
}

int bench_read(const char *path, struct bench *out, struct err *why)
{
    char *text;
    int rc = bench_text_read(path, &text, why);
    if (rc) return rc;
    rc = bench_parse(text, path, out, why);
    mem_free(text);
    return rc;
}

void bench_clear(struct bench *b)
{
    if (b) *b = (struct bench){0};
}
