/* inside.h - what the parts of the world share; nobody outside src/sim includes this. */
#ifndef STADDLE_SIM_INSIDE_H
#define STADDLE_SIM_INSIDE_H

#include <math.h>
#include <pthread.h>

#include "sim/lens.h"
#include "sim/mechanics.h"
#include "sim/psf.h"
#include "sim/sheet_look.h"
#include "sim/world.h"

/* The subject: sheets from the nearest to the farthest, the last one a backdrop. */
struct scene {
    int32_t count, room;
    struct sheet *sheets;
};

struct scene_frame {
    int32_t width_px, height_px;
    double pixel_um; /* on the subject, at scale one */
    double near_um, depth_um;
    uint64_t seed;
};

/* What stands in front of the lens. Of a large picture that takes its time, and many commands never look. */
struct subject {
    pthread_mutex_t lock; /* whoever looks first builds it */
    bool built, ruler;
    struct scene_frame frame;
    struct scene scene;
};

int scene_clock(struct scene *, const struct scene_frame *, struct err *);
int scene_ruler(struct scene *, const struct scene_frame *, struct err *);
int scene_picture(struct scene *, const struct scene_frame *, const struct scene_spec *, struct err *);
void scene_clear(struct scene *);
struct sheet *scene_add(struct scene *, struct err *); /* behind those that are there; zeroed */
struct rect scene_room(const struct scene_frame *);    /* the frame and a little around it */

struct lamp {
    double level, ripple, ripple_hz, ripple_phase, scatter_stops, drift_stops_per_hour;
    uint64_t seed;
};

/* Mean light over an exposure, relative to a good lamp; times in microseconds. */
double lamp_mean(const struct lamp *, int64_t open_us, int64_t shut_us);

/* What the subject does by itself: slow sway and a steady hum, sideways, in um; and a slow way to the right.
 */
struct sway {
    double sway_um, hum_um, phase[8], drift_um_per_min;
};
void sway_at(const struct sway *, double seconds, double *x_um, double *y_um);

struct world {
    struct camera_spec camera;
    struct axis_spec axis;
    struct lens lens;
    struct subject *subject;
    struct kernel_set full, reduced; /* kernels */
    bool ideal;
    struct mechanics *mechanics;
    struct lamp lamp;
    struct sway sway;
    double lateral_share;
    double skew_um_per_um; /* the subject's way aside for each um that the carriage goes in */
    double breathing;      /* relative change of scale over the depth; 0: perspective */
    double noise;
    int64_t good_exposure_us;
    uint64_t seed;
    int64_t now_us;
    void (*edge)(void *arg, int64_t at_ns, int dir); /* a test's, or NULL */
    void *edge_arg;
    int64_t travel_lo_nm, travel_hi_nm;
    struct shot *log;
    int32_t log_count, log_room;
    struct world_meddling meddled;
    struct world_spot *spots;
    int32_t spot_count;
};

/* Before a look at w->subject->scene. Several threads may call it at once. */
int subject_build(struct subject *, struct err *);

/* Where the camera looks from in one picture. */
struct view {
    double focus_um, shift_x_px, shift_y_px;
    double scale; /* of everything, by breathing */
    bool perspective;
    double away_um;             /* from the pupil to the plane of focus */
    double per_scale, per_away; /* their reciprocals */
    double centre_x, centre_y;
    double curve_um; /* per squared pixel from the centre, toward the camera */
    const struct lens *lens;
};

struct view view_at(const struct world *, double focus_um, double shift_x_px, double shift_y_px);

/* How far from the middle of the view a pixel lies, before perspective. */
static inline double view_right_px(const struct view *v, double px)
{
    return (px - v->centre_x - v->shift_x_px) / v->scale;
}
static inline double view_down_px(const struct view *v, double py)
{
    return (py - v->centre_y - v->shift_y_px) / v->scale;
}

/* The place on a sheet that is seen so far from the middle: 0 iterations deep when flat. `depth_um` holds a
 * first guess and then the depth there. */
static inline void view_meet(const struct view *v, const struct sheet *s, int level, double dx, double dy,
                             double *depth_um, double *x_out, double *y_out)
{
    double x = v->centre_x + dx, y = v->centre_y + dy;
    if (v->perspective) {
        /* A flat sheet's depth hardly changes from one pixel to the next: the first guess is good enough. */
        int turns = s->level[0].relief_um ? 2 : 1;
        for (int turn = 0; turn < turns; turn++) {
            double wider = 1 + (*depth_um - v->focus_um) * v->per_away;
            if (wider < 0.05) wider = 0.05; /* as lens_wider */
            x = v->centre_x + dx * wider;
            y = v->centre_y + dy * wider;
            *depth_um = sheet_depth_um(s, level, x, y);
        }
    } else {
        *depth_um = sheet_depth_um(s, level, x, y);
    }
    *x_out = x;
    *y_out = y;
}

/* The same for a pixel of the frame. */
static inline void view_place(const struct view *v, const struct sheet *s, int level, double px, double py,
                              double *depth_um, double *x_out, double *y_out)
{
    view_meet(v, s, level, view_right_px(v, px), view_down_px(v, py), depth_um, x_out, y_out);
}

/* How far beyond the (curved) plane of focus. */
static inline double view_behind_um(const struct view *v, double px, double py, double depth_um)
{
    double dx = px - v->centre_x, dy = py - v->centre_y;
    return depth_um - v->focus_um + v->curve_um * (dx * dx + dy * dy);
}

/* A shot as 8-bit RGB, width x height x 3. */
int render_rgb(const struct world *, const struct shot *, int threads, uint8_t *rgb, struct err *);
/* Linear light (full scale is 1) of a band of rows to 8-bit RGB of the whole picture: exposure, noise, tone
 * curve. */
struct film;
void develop(const struct world *, const struct shot *, const struct film *band, uint8_t *rgb);
/* soil.c: spots at places of the world's own seed. */
int soil_make(struct world *, int32_t dust, int32_t hot, struct err *);
bool soil_on_row(const struct world *, int32_t y);
/* Share of the light that comes through at a pixel, and what is added by itself, of full scale. */
double soil_at(const struct world *, int32_t x, int32_t y, v4 *more_out);
int photo_jpeg(const struct world *, const struct shot *, const uint8_t *rgb, uint8_t **jpeg_out,
               size_t *count_out, struct err *);

#endif
