/* job_file.c - the keys of a job file, and the scene that a simulated bench shows. */
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "base/units.h"
#include "config/bench_measured.h"
#include "config/config.h"
#include "config/marks.h"
#include "config/reader.h"

#define AT(member) offsetof(struct job, member)

#define SCENES "clock ruler"

/* Ranges: wide enough for anything shot at a bench, narrow enough to catch a slip of the unit (guesses). */
static const struct key_row rows[] = {
    {"name", VALUE_NAME, false, AT(name), 0, 0, NULL},
    {"bench", VALUE_PATH, false, AT(bench_path), 0, 0, NULL},
    {"magnification", VALUE_REAL, false, AT(magnification), 0.01, 100, NULL},
    {"field_width_mm", VALUE_MM, false, AT(field_width_nm), 0.01, 5000, NULL},
    {"near_mm", VALUE_MM, false, AT(near_nm), -2000, 2000, NULL},
    {"far_mm", VALUE_MM, false, AT(far_nm), -2000, 2000, NULL},
    {"far_guessed", VALUE_FLAG, false, AT(far_guessed), 0, 0, NULL},
    {"depth_mm", VALUE_MM, false, AT(far_nm), 0, 2000, NULL},
    {"spacing_um", VALUE_UM, false, AT(spacing_nm), 0.01, 100000, NULL},
    {"overlap", VALUE_REAL, false, AT(overlap), 0, 0.95, NULL},
    {"slices", VALUE_INTEGER, false, AT(slices), 1, 4000, NULL},
    {"region", VALUE_REGION, false, AT(region), 0, 0, NULL},
    {"settle_ms", VALUE_MS, false, AT(settle_us), 0, 600000, NULL},
    {"exposure_s", VALUE_S, false, AT(exposure_us), 0.00001, 3600, NULL},
    {"start_delay_s", VALUE_S, false, AT(start_delay_us), 0, 86400, NULL},
    {"blur_limit_px", VALUE_REAL, false, AT(blur_limit_px), 0.5, 20, NULL},
    {"contrast_drop", VALUE_REAL, false, AT(contrast_drop), 0.01, 0.5, NULL},
    {"quiet_frame", VALUE_FLAG, false, AT(quiet_frame), 0, 0, NULL},
    {"doubtful", VALUE_FLAG, false, AT(ask_in_doubt), 0, 0, "shoot_again ask"},
    {"seed", VALUE_SEED, false, AT(seed), 0, 0, NULL},
    {"scene", VALUE_FLAG, false, AT(scene.ruler), 0, 0, SCENES},
    {"scene.shows", VALUE_FLAG, false, AT(scene.ruler), 0, 0, SCENES},
    {"scene.picture", VALUE_PATH, false, AT(scene.picture), 0, 0, NULL},
    {"scene.depth_map", VALUE_PATH, false, AT(scene.depth_map), 0, 0, NULL},
    {"scene.depth_map_is", VALUE_FLAG, false, AT(scene.depth_map_is_distance), 0, 0, "disparity distance"},
    {"scene.near_mm", VALUE_MM, false, AT(scene.near_nm), -2000, 2000, NULL},
    {"scene.depth_mm", VALUE_MM, false, AT(scene.depth_nm), 0, 2000, NULL},
    {"scene.noise", VALUE_REAL_OFF, false, AT(scene.noise), 0, 100, NULL},
    {"scene.lamp", VALUE_REAL_OFF, false, AT(scene.lamp), 0, 100, NULL},
    {"scene.ring_hz", VALUE_REAL_OFF, false, AT(scene.ring_hz), 0, 1000, NULL},
    {"scene.ring_zeta", VALUE_REAL_OFF, false, AT(scene.ring_zeta), 0, 0.99, NULL},
    {"scene.lateral_share", VALUE_REAL_OFF, false, AT(scene.lateral_share), 0, 10, NULL},
    {"scene.sway_um", VALUE_REAL_OFF, false, AT(scene.sway_um), 0, 1000, NULL},
    {"scene.hum_um", VALUE_REAL_OFF, false, AT(scene.hum_um), 0, 1000, NULL},
    {"scene.drift_um_per_min", VALUE_REAL, false, AT(scene.drift_um_per_min), -10000, 10000, NULL},
    {"scene.skew_um_per_mm", VALUE_REAL, false, AT(scene.skew_um_per_mm), -500, 500, NULL},
    {"scene.backlash_um", VALUE_REAL_OFF, false, AT(scene.backlash_um), 0, 5000, NULL},
    {"scene.screw_error_um", VALUE_REAL_OFF, false, AT(scene.screw_error_um), 0, 1000, NULL},
    {"scene.motor_strength", VALUE_REAL, false, AT(scene.motor_strength), 0.001, 100, NULL},
    {"scene.scatter_um", VALUE_REAL_OFF, false, AT(scene.scatter_um), 0, 1000, NULL},
    {"scene.breathing", VALUE_REAL, false, AT(scene.breathing), -0.5, 0.5, NULL},
    {"scene.dust", VALUE_INTEGER, false, AT(scene.dust), 0, 100, NULL},
    {"scene.hot_pixels", VALUE_INTEGER, false, AT(scene.hot_pixels), 0, 1000, NULL},
    {"scene.lamp_ripple", VALUE_REAL_OFF, false, AT(scene.lamp_ripple), 0, 1, NULL},
    {"scene.lamp_hz", VALUE_REAL_OFF, false, AT(scene.lamp_hz), 0, 1000000, NULL},
    {"scene.lamp_scatter_stops", VALUE_REAL_OFF, false, AT(scene.lamp_scatter_stops), 0, 5, NULL},
    {"scene.lamp_drift_stops_per_hour", VALUE_REAL, false, AT(scene.lamp_drift_stops_per_hour), -10, 10,
     NULL},
    {"measured.near_mm", VALUE_MM, false, AT(near_mark.position_nm), -2000, 2000, NULL},
    {"measured.near_uncertainty_um", VALUE_UM, false, AT(near_mark.uncertainty_nm), 0, 100000, NULL},
    {"measured.near_at", VALUE_NAME, false, AT(near_mark.at), 0, 0, NULL},
    {"measured.near_how", VALUE_NAME, false, AT(near_mark.how), 0, 0, NULL},
    {"measured.far_mm", VALUE_MM, false, AT(far_mark.position_nm), -2000, 2000, NULL},
    {"measured.far_uncertainty_um", VALUE_UM, false, AT(far_mark.uncertainty_nm), 0, 100000, NULL},
    {"measured.far_at", VALUE_NAME, false, AT(far_mark.at), 0, 0, NULL},
    {"measured.shot_at", VALUE_NAME, false, AT(marks_shot_at), 0, 0, NULL},
    {"measured.far_how", VALUE_NAME, false, AT(far_mark.how), 0, 0, NULL},
};

static const struct schema schema = {"job file", rows, sizeof rows / sizeof *rows};

static int only_one(const struct job *j, const char *first, const char *second, struct err *why)
{
    const int32_t one = origin_line(&j->origins, first), two = origin_line(&j->origins, second);
    if (!one || !two) return E_OK;
    return fail(why, E_INPUT, "%s:%d: both %s (line %d) and %s (line %d) are given; keep one", j->path,
                one > two ? one : two, first, one, second, two);
}

static int check_size(const struct job *j, struct err *why)
{
    if (j->magnification <= 0 && !j->field_width_nm)
        return fail(why, E_INPUT,
                    "%s:1: the size of the picture is missing; write magnification or field_width_mm",
                    j->path);
    return only_one(j, "magnification", "field_width_mm", why);
}

static int check_depth(struct job *j, struct err *why)
{
    const int32_t near = origin_line(&j->origins, "near_mm"), far = origin_line(&j->origins, "far_mm");
    const int32_t depth = origin_line(&j->origins, "depth_mm");
    int rc = only_one(j, "far_mm", "depth_mm", why);
    if (!rc) rc = only_one(j, "near_mm", "depth_mm", why);
    if (rc) return rc;
    if (near && !far) return fail(why, E_INPUT, "%s:%d: near_mm is alone; write far_mm too", j->path, near);
    if (far && !near) return fail(why, E_INPUT, "%s:%d: far_mm is alone; write near_mm too", j->path, far);
    if (near && j->near_nm > j->far_nm)
        return fail(why, E_INPUT,
                    "%s:%d: near_mm %.9g lies behind far_mm %.9g; positions grow away from the camera, so "
                    "exchange them",
                    j->path, near > far ? near : far, mm_from_nm(j->near_nm), mm_from_nm(j->far_nm));
    j->depth_kind = near ? DEPTH_MARKS : depth ? DEPTH_LENGTH : DEPTH_NONE;
    return E_OK;
}

/* A mark without its time could never become void. */
static int check_mark(const struct job *j, const char *position, const char *at, struct err *why)
{
    const int32_t given = origin_line(&j->origins, position), timed = origin_line(&j->origins, at);
    if (!given == !timed) return E_OK;
    return fail(why, E_INPUT, "%s:%d: %s and %s belong together; mark that end again", j->path,
                given ? given : timed, position, at);
}

/* What was marked at the bench comes before what the file says; a depth goes on from the end that was marked.
 */
static void apply_marks(struct job *j)
{
    const bool near = j->near_mark.at[0], far = j->far_mark.at[0];
    const int64_t depth_nm = j->depth_kind == DEPTH_LENGTH ? j->far_nm : 0;
    if (!near && !far) return;
    if (near && (far || j->depth_kind != DEPTH_NONE)) j->depth_kind = DEPTH_MARKS;
    if (far && j->depth_kind != DEPTH_NONE) j->depth_kind = DEPTH_MARKS;
    if (near) j->near_nm = j->near_mark.position_nm;
    if (far) j->far_nm = j->far_mark.position_nm;
    if (near && !far && depth_nm) j->far_nm = j->near_nm + depth_nm;
    if (far && !near && depth_nm) j->near_nm = j->far_nm - depth_nm;
}

static int check_marks(struct job *j, struct err *why)
{
    int rc = check_mark(j, "measured.near_mm", "measured.near_at", why);
    if (!rc) rc = check_mark(j, "measured.far_mm", "measured.far_at", why);
    if (!rc) apply_marks(j);
    return rc;
}

static int check_spacing(const struct job *j, struct err *why)
{
    int rc = only_one(j, "spacing_um", "overlap", why);
    if (!rc) rc = only_one(j, "spacing_um", "slices", why);
    if (!rc) rc = only_one(j, "overlap", "slices", why);
    return rc;
}

static int check_scene(struct job *j, struct err *why)
{
    const struct scene_spec *s = &j->scene;
    const int32_t picture = origin_line(&j->origins, "scene.picture"),
                  map = origin_line(&j->origins, "scene.depth_map");
    if (picture && !map)
        return fail(why, E_INPUT,
                    "%s:%d: scene.picture has no depth_map; write which picture holds its depth", j->path,
                    picture);
    if (map && !picture)
        return fail(why, E_INPUT, "%s:%d: scene.depth_map has no picture; write which picture it belongs to",
                    j->path, map);
    if (s->lamp_ripple > 0 && s->lamp_hz <= 0)
        return fail(why, E_INPUT, "%s:%d: scene.lamp_ripple needs lamp_hz; write how often the lamp flickers",
                    j->path, origin_line(&j->origins, "scene.lamp_ripple"));
    return only_one(j, "scene.picture", "scene.shows", why);
}

/* The file's own name without folder and ending, when the job gives none. */
static void name_after_file(struct job *j)
{
    const char *slash = strrchr(j->path, '/');
    const char *base = slash ? slash + 1 : j->path;
    const char *dot = strrchr(base, '.');
    size_t n = dot && dot > base ? (size_t)(dot - base) : strlen(base);
    if (n >= NAME_ROOM) n = NAME_ROOM - 1;
    memcpy(j->name, base, n);
    j->name[n] = '\0';
}

static int check_all(struct job *j, struct err *why)
{
    int rc = check_size(j, why);
    if (!rc) rc = check_depth(j, why);
    if (!rc) rc = check_marks(j, why);
    if (!rc) rc = check_spacing(j, why);
    if (!rc) rc = check_scene(j, why);
    if (!rc && !j->name[0]) name_after_file(j);
    return rc;
}

int job_parse(const char *text, const char *name, struct job *out, struct err *why)
{
    struct job j = {.overlap = -1, .settle_us = -1, .start_delay_us = -1};
    int rc = reader_resolve("", name, j.path, why);
    if (!rc) rc = reader_fill(text, name, &schema, &j, &j.origins, why);
    if (!rc) rc = check_all(&j, why);
    if (!rc && !(j.job_text = mem_copy_text(text, why))) rc = E_NOMEM;
    if (!rc) *out = j;
    return rc;
}

/* The job file alone, whatever has been marked. */
static int read_written(const char *path, struct job *out, char **text_out, struct err *why)
{
    char *text;
    int rc = reader_text(path, &text, why);
    if (rc) return rc;
    rc = job_parse(text, path, out, why);
    if (rc)
        mem_free(text);
    else
        *text_out = text;
    return rc;
}

/* The job with what was marked behind it, as one text: that is what the stack keeps, and resume reads. */
static int read_alone(const char *path, struct job *out, struct err *why)
{
    char *text, *marks, *both;
    int rc = read_written(path, out, &text, why);
    if (rc) return rc;
    rc = marks_text(path, &marks, why);
    if (!rc && marks) {
        const size_t room = strlen(text) + strlen(marks) + 2;
        job_clear(out);
        both = mem_new(room, 1, why);
        if (both) snprintf(both, room, "%s\n%s", text, marks);
        rc = both ? job_parse(both, path, out, why) : E_NOMEM;
        mem_free(both);
    } else if (rc) {
        job_clear(out);
    }
    mem_free(marks);
    mem_free(text);
    return rc;
}

/* A bench file that cannot be opened is the fault of the line that names it. */
static int read_bench_text(struct job *j, struct err *why)
{
    struct err inner;
    const int32_t line = origin_line(&j->origins, "bench");
    int rc = bench_text_read(j->bench_path, &j->bench_text, &inner);
    if (!rc) return E_OK;
    if (rc == E_INPUT && line)
        return fail(why, E_INPUT, "%s:%d: bench: %.300s; name a bench file", j->path, line, inner.text);
    return fail(why, (enum errc)rc, "%s", inner.text);
}

int job_read(const char *path, struct job *out, struct err *why)
{
    struct job j;
    int rc = read_alone(path, &j, why);
    if (rc) return rc;
    if (j.bench_path[0] && (rc = read_bench_text(&j, why))) {
        job_clear(&j);
        return rc;
    }
    *out = j;
    return E_OK;
}

void job_clear(struct job *j)
{
    if (!j) return;
    mem_free(j->bench_text);
    mem_free(j->job_text);
    *j = (struct job){0};
}

int setup_read(const char *job_path, const char *bench_override, struct job *job, struct bench *bench,
               struct err *why)
{
    struct job j;
    int rc = read_alone(job_path, &j, why);
    if (rc) return rc;
    if (bench_override) {
        rc = reader_resolve("", bench_override, j.bench_path, why);
        if (!rc) rc = bench_text_read(bench_override, &j.bench_text, why);
    } else if (!j.bench_path[0]) {
        rc = fail(why, E_INPUT,
                  "%s:1: bench is missing; write which bench file it is for, or give --bench FILE", j.path);
    } else {
        rc = read_bench_text(&j, why);
    }
    if (!rc) rc = bench_parse(j.bench_text, j.bench_path, bench, why);
    if (rc) {
        job_clear(&j);
        return rc;
    }
    *job = j;
    return E_OK;
}
