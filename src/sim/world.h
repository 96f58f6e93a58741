/* world.h - the simulated bench's one world: a scene in front of a lens, on a rail that shakes, under a lamp.
 *
 * The rail controller's step edges and the camera's shutter come in; frames and the truth go out. It knows
 * nothing of how Staddle plans or measures. Owned by one thread, except world_render, which only reads and
 * may run anywhere. */
#ifndef STADDLE_SIM_WORLD_H
#define STADDLE_SIM_WORLD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/err.h"
#include "staddle/bench.h"

struct world;

struct world_opts {
    const struct bench *bench; /* camera, axis and lens as they are built */
    const struct scene_spec
        *scene; /* near_nm and depth_nm already resolved; depth 0: 3.4 mm, a ruler 45 degrees */
    double magnification;
    int64_t exposure_us; /* the exposure that is right under this lamp */
    uint64_t seed;
    bool quiet;       /* nothing shakes, sways or hums at all, whatever the scene says */
    bool scene_later; /* it is built when the first picture is rendered; the truth is not there before */
    bool ideal_lens;  /* round pupil, no aberration, flat field; diffraction stays */
};

/* What the shutter saw: plain data, made at the end of the exposure, rendered later. */
#define SHOT_SAMPLES 64
struct shot {
    uint64_t token;
    uint64_t noise_seed;      /* from (seed, slice, attempt), never from call order */
    int64_t open_us, shut_us; /* scheduler time */
    int64_t exposure_us;
    int64_t wall_us;         /* for Exif */
    double light;            /* exposure relative to a good one, 1 = good; 0 = dark */
    double lit_from, lit_to; /* rows that the light reached, as shares of the height; 0, 0: all of them */
    int32_t samples;         /* of what follows, evenly over the exposure */
    double focus_nm[SHOT_SAMPLES]; /* plane of focus: axis position equivalent, shake included */
    double x_um[SHOT_SAMPLES], y_um[SHOT_SAMPLES]; /* the subject's sideways displacement, object side */
    double f_number, iso; /* 0: as built, 100; another f-number than the bench's only dims, spots stay */
    int64_t focal_length_nm;
};

struct world *world_new(const struct world_opts *, struct err *);
void world_free(struct world *); /* NULL is fine */

/* One step edge of the rail's motor at that time (nanoseconds of scheduler time); dir +1 away from the
 * camera. */
void world_step(struct world *, int64_t at_ns, int dir);
/* Puts the carriage somewhere, at rest (a bench just built). */
void world_place(struct world *, int64_t position_nm);
/* End switches by the true carriage position. */
void world_set_travel(struct world *, int64_t lo_nm, int64_t hi_nm);
void world_switches(const struct world *, bool *near_pressed, bool *far_pressed);

/* Closes an exposure that began at open_us: advances the world to shut_us and fills `out` but for token,
 * noise_seed, wall_us, f_number, iso and focal_length_nm. With a flash only the burst at the opening counts.
 */
void world_expose(struct world *, int64_t open_us, int64_t shut_us, bool flash, struct shot *out);

/* The picture of a shot as a JPEG with Exif; mem_free it. `threads` at most are used; same bytes with any
 * number. */
int world_render(const struct world *, const struct shot *, int threads, uint8_t **jpeg_out,
                 size_t *count_out, struct err *);

/* What somebody does to the bench between two exposures: the set moved (over the last such move, not on top
 * of it), the lamp changed, the lens's ring touched. All zero (scale 0 or 1): as it was built. */
struct world_meddling {
    double x_um, y_um, away_um;
    double light_stops, scale;
};
void world_meddle(struct world *, const struct world_meddling *);

/* --- the truth, for tests --- */
double world_carriage_nm(const struct world *); /* where the carriage is, without shake */
/* Amplitude of its ringing at a time not before the last edge, zero-to-peak. */
double world_shake_nm(const struct world *, int64_t at_us);
/* Every edge; net_out (may be NULL) by direction, missed_out (may be NULL): those that the motor did not
 * follow. */
int64_t world_step_count(const struct world *, int64_t *net_out, int64_t *missed_out);
/* Told of each edge as it comes, with its time; NULL: nobody. */
void world_watch_steps(struct world *, void (*edge)(void *arg, int64_t at_ns, int dir), void *arg);
/* Both in the pixels of a frame that is focused at axis position at_nm, width x height of the camera:
 * the axis position (nm) at which each pixel's subject is in focus, NAN where the scene has no truth; layer 0
 * is the front-most, 1 what lies behind a hair or the like where there is such, else NAN; */
void world_truth_focus(const struct world *, int64_t at_nm, int layer, float *focus_nm_out);
/* and the all-sharp picture, linear RGB, width x height x 3, 0..1. */
void world_truth_sharp(const struct world *, int64_t at_nm, float *rgb_out);
/* What sits on the sensor, whatever it looks at. */
struct world_spot {
    bool hot;          /* a hot pixel; else dust */
    double x_px, y_px; /* its middle; pixel 0 reaches from 0 to 1 */
    double radius_px;  /* of the shadow's rim */
    double
        strength; /* of the light that it takes in its middle; or adds, of full scale, in a right exposure */
    int colour;   /* of a hot pixel: 0 red, 1 green, 2 blue */
};
int32_t world_spots(const struct world *, const struct world_spot **out);
/* The shutter log: every exposure, in order. */
int32_t world_shots(const struct world *, const struct shot **log_out);

#endif
