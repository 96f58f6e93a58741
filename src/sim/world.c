#include "sim/world.h"

#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "sim/hash.h"
#include "sim/inside.h"

#define TWO_PI        6.283185307179586
#define DEFAULT_DEPTH 3400 /* um */
#define BURST_US      800  /* of a flash */
#define START_STOP_HZ                                                                                        \
    600.0                     /* full steps: what an ordinary small motor follows from rest; common practice \
                               */
#define PULL_OUT_HZ   2500.0  /* full steps: and at best */
#define GAIN_HZ_PER_S 30000.0 /* full steps */

/* Zero means the default, negative means none. */
static double or_default(double given, double normal)
{
    return given == 0 ? normal : given < 0 ? 0 : given;
}

static void set_mechanics(const struct world_opts *o, struct mechanics_spec *m)
{
    const struct axis_spec *a = &o->bench->axis;
    const struct scene_spec *s = o->scene;
    double lead = a->lead_nm > 0 ? (double)a->lead_nm : 2e6;
    double steps = a->steps_per_rev > 0 ? a->steps_per_rev : 200,
           micro = a->microsteps > 0 ? a->microsteps : 16;
    const double motor = (s->motor_strength > 0 ? s->motor_strength : 1) * micro;
    double play = a->backlash_nm > 0 ? (double)a->backlash_nm : 4000;
    *m = (struct mechanics_spec){
        .nm_per_edge = lead / (steps * micro),
        .lead_nm = lead,
        .ring_hz = o->quiet ? 0 : or_default(s->ring_hz, 12),
        .ring_zeta = fmin(or_default(s->ring_zeta, 0.03), 0.99),
        .backlash_nm = s->backlash_um == 0 ? play : or_default(s->backlash_um, 0) * 1000,
        .screw_error_nm = or_default(s->screw_error_um, 1.0) * 1000,
        .screw_phase = TWO_PI * hash_unit(o->seed, 101),
        .start_stop_hz = START_STOP_HZ * motor,
        .pull_out_hz = PULL_OUT_HZ * motor,
        .scatter_nm = or_default(s->scatter_um, 0) * 1000,
        .seed = hash_mix(o->seed, 104),
        .gain_hz_per_s = GAIN_HZ_PER_S * motor,
    };
}

static void set_light(struct world *w, const struct world_opts *o)
{
    const struct scene_spec *s = o->scene;
    w->lamp = (struct lamp){
        .level = or_default(s->lamp, 1),
        .ripple = or_default(s->lamp_ripple, 0),
        .ripple_hz = or_default(s->lamp_hz, 100),
        .ripple_phase = TWO_PI * hash_unit(o->seed, 102),
        .scatter_stops = or_default(s->lamp_scatter_stops, 0.005),
        .drift_stops_per_hour = s->lamp_drift_stops_per_hour,
        .seed = hash_mix(o->seed, 103),
    };
    w->sway.sway_um = o->quiet ? 0 : or_default(s->sway_um, 0.2);
    w->sway.hum_um = o->quiet ? 0 : or_default(s->hum_um, 0.1);
    w->sway.drift_um_per_min = s->drift_um_per_min;
    w->skew_um_per_um = s->skew_um_per_mm / 1000;
    for (uint64_t i = 0; i < 8; i++)
        w->sway.phase[i] = TWO_PI * hash_unit(o->seed, 110 + i);
    w->lateral_share = or_default(s->lateral_share, 0.5);
    w->noise = or_default(s->noise, 1);
}

static int set_scene(struct world *w, const struct world_opts *o, struct err *why)
{
    const struct scene_spec *s = o->scene;
    struct scene_frame f = {
        .width_px = w->camera.width_px,
        .height_px = w->camera.height_px,
        .pixel_um = w->lens.pixel_um / w->lens.magnification,
        .near_um = (double)s->near_nm / 1000,
        .seed = o->seed,
    };
    f.depth_um = s->depth_nm > 0 ? (double)s->depth_nm / 1000
                 : s->ruler      ? f.width_px * f.pixel_um /* 45 degrees */
                                 : DEFAULT_DEPTH;
    struct subject *t = w->subject = mem_new(1, sizeof *t, why);
    if (!t) return E_NOMEM;
    pthread_mutex_init(&t->lock, NULL);
    t->frame = f;
    t->ruler = s->ruler;
    if (!s->picture[0]) return o->scene_later ? E_OK : subject_build(t, why);
    t->built = true; /* at once, for there are files to complain of */
    return scene_picture(&t->scene, &f, s, why);
}

int subject_build(struct subject *t, struct err *why)
{
    int rc = E_OK;
    pthread_mutex_lock(&t->lock);
    if (!t->built)
        rc = t->ruler ? scene_ruler(&t->scene, &t->frame, why) : scene_clock(&t->scene, &t->frame, why);
    if (!t->built && rc) scene_clear(&t->scene);
    t->built = t->built || !rc;
    pthread_mutex_unlock(&t->lock);
    return rc;
}

static void subject_free(struct subject *t)
{
    if (!t) return;
    scene_clear(&t->scene);
    pthread_mutex_destroy(&t->lock);
    mem_free(t);
}

struct world *world_new(const struct world_opts *o, struct err *why)
{
    struct world *w = mem_new(1, sizeof *w, why);
    struct mechanics_spec m;
    if (!w) return NULL;
    w->camera = o->bench->camera;
    w->axis = o->bench->axis;
    w->ideal = o->ideal_lens;
    w->seed = o->seed;
    w->good_exposure_us = o->exposure_us > 0 ? o->exposure_us : 250000;
    w->breathing = o->scene->breathing;
    w->travel_lo_nm = INT64_MIN;
    w->travel_hi_nm = INT64_MAX;
    set_light(w, o);
    set_mechanics(o, &m);
    if (lens_init(&w->lens, o->bench, o->magnification, o->ideal_lens, why)) goto out;
    if (!(w->mechanics = mechanics_new(&m, why))) goto out;
    if (psf_full(&w->full, &w->lens, w->ideal, why) || psf_reduced(&w->reduced, w->ideal, why)) goto out;
    if (set_scene(w, o, why) || soil_make(w, o->scene->dust, o->scene->hot_pixels, why)) goto out;
    return w;
out:
    world_free(w);
    return NULL;
}

void world_free(struct world *w)
{
    if (!w) return;
    mechanics_free(w->mechanics);
    psf_clear(&w->full);
    psf_clear(&w->reduced);
    subject_free(w->subject);
    mem_free(w->log);
    mem_free(w->spots);
    mem_free(w);
}

/* --- the rail --- */

void world_step(struct world *w, int64_t at_ns, int dir)
{
    mechanics_edge(w->mechanics, at_ns, dir < 0 ? -1 : 1);
    if (w->edge) w->edge(w->edge_arg, at_ns, dir < 0 ? -1 : 1);
}

void world_watch_steps(struct world *w, void (*edge)(void *arg, int64_t at_ns, int dir), void *arg)
{
    w->edge = edge;
    w->edge_arg = arg;
}

void world_place(struct world *w, int64_t position_nm)
{
    mechanics_place(w->mechanics, (double)position_nm);
}

void world_set_travel(struct world *w, int64_t lo_nm, int64_t hi_nm)
{
    w->travel_lo_nm = lo_nm;
    w->travel_hi_nm = hi_nm;
}

void world_switches(const struct world *w, bool *near_pressed, bool *far_pressed)
{
    double at = mechanics_carriage_nm(w->mechanics);
    *near_pressed = at <= (double)w->travel_lo_nm;
    *far_pressed = at >= (double)w->travel_hi_nm;
}

double world_carriage_nm(const struct world *w)
{
    return mechanics_carriage_nm(w->mechanics);
}

double world_shake_nm(const struct world *w, int64_t at_us)
{
    return mechanics_ringing_nm(w->mechanics, at_us * 1000);
}

int64_t world_step_count(const struct world *w, int64_t *net_out, int64_t *missed_out)
{
    return mechanics_edges(w->mechanics, net_out, missed_out);
}

/* --- the shutter --- */

/* Lateral shake goes along this direction. */
#define LATERAL_X 0.866
#define LATERAL_Y 0.5

static void sample(const struct world *w, int64_t at_ns, struct shot *s, int32_t i)
{
    double carriage, offset, sx, sy;
    mechanics_at(w->mechanics, at_ns, &carriage, &offset);
    sway_at(&w->sway, (double)at_ns * 1e-9, &sx, &sy);
    s->focus_nm[i] = carriage + offset - w->meddled.away_um * 1000;
    s->x_um[i] = w->meddled.x_um + sx + w->skew_um_per_um * (carriage / 1000 - w->subject->frame.near_um) +
                 LATERAL_X * w->lateral_share * offset / 1000;
    s->y_um[i] = w->meddled.y_um + sy + LATERAL_Y * w->lateral_share * offset / 1000;
}

static void keep_in_log(struct world *w, const struct shot *s)
{
    if (w->log_count == w->log_room) {
        int32_t room = w->log_room ? 2 * w->log_room : 64;
        struct shot *more = mem_grow(w->log, (size_t)w->log_room, (size_t)room, sizeof *more, NULL);
        if (!more) return; /* the log is for tests; a frame is worth more */
        w->log = more;
        w->log_room = room;
    }
    w->log[w->log_count++] = *s;
}

void world_expose(struct world *w, int64_t open_us, int64_t shut_us, bool flash, struct shot *out)
{
    struct shot s = {.open_us = open_us, .shut_us = shut_us, .exposure_us = shut_us - open_us};
    int64_t lit_us = shut_us - open_us;
    if (flash) {
        /* The burst is over in no time; lamps in the room do not count beside it. */
        s.light = lamp_mean(&w->lamp, open_us, open_us) * (lit_us < BURST_US ? (double)lit_us / BURST_US : 1);
        lit_us = lit_us < BURST_US ? lit_us : BURST_US;
    } else {
        s.light = lamp_mean(&w->lamp, open_us, shut_us) * (double)lit_us / (double)w->good_exposure_us;
    }
    s.light *= exp2(w->meddled.light_stops);
    s.samples = flash ? 4 : SHOT_SAMPLES;
    for (int32_t i = 0; i < s.samples; i++)
        sample(w, open_us * 1000 + lit_us * 1000 * (2 * i + 1) / (2 * s.samples), &s, i);
    keep_in_log(w, &s);
    s.token = out->token;
    s.noise_seed = out->noise_seed;
    s.wall_us = out->wall_us;
    s.f_number = out->f_number;
    s.iso = out->iso;
    s.focal_length_nm = out->focal_length_nm;
    *out = s;
}

void world_meddle(struct world *w, const struct world_meddling *m)
{
    w->meddled = *m;
}

int32_t world_shots(const struct world *w, const struct shot **log_out)
{
    *log_out = w->log;
    return w->log_count;
}

int world_render(const struct world *w, const struct shot *s, int threads, uint8_t **jpeg_out,
                 size_t *count_out, struct err *why)
{
    uint8_t *rgb = mem_new((size_t)w->camera.width_px * (size_t)w->camera.height_px, 3, why);
    if (!rgb) return E_NOMEM;
    int rc = subject_build(w->subject, why);
    if (!rc) rc = render_rgb(w, s, threads, rgb, why);
    if (!rc) rc = photo_jpeg(w, s, rgb, jpeg_out, count_out, why);
    mem_free(rgb);
    return rc;
}

/* --- where the camera looks from --- */

struct view view_at(const struct world *w, double focus_um, double shift_x_px, double shift_y_px)
{
    const struct lens *l = &w->lens;
    struct view v = {
        .focus_um = focus_um,
        .shift_x_px = shift_x_px,
        .shift_y_px = shift_y_px,
        .scale = 1,
        .perspective = w->breathing == 0,
        .away_um = l->pupil_away_um,
        .centre_x = (w->camera.width_px - 1) / 2.0,
        .centre_y = (w->camera.height_px - 1) / 2.0,
        .curve_um = l->curvature_um / (l->corner_px * l->corner_px),
        .lens = l,
    };
    if (!v.perspective)
        v.scale = 1 + w->breathing * (focus_um - w->subject->frame.near_um) / w->subject->frame.depth_um;
    if (w->meddled.scale > 0) v.scale *= w->meddled.scale;
    v.per_scale = 1 / v.scale;
    v.per_away = 1 / v.away_um;
    return v;
}
