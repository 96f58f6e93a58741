/* shoot.h - frames of the simulated world at chosen focus positions, measured, and the world's truth about
 * them: without rail, camera or run, so that hundreds of stacks cost seconds. */
#ifndef TESTS_SUPPORT_SHOOT_H
#define TESTS_SUPPORT_SHOOT_H

#include <stdbool.h>
#include <stdint.h>

#include "check/check.h"
#include "sim/world.h"

/* Another photograph and its depth map, as a job file names them, and how large its frames are. */
struct shoot_scene {
    char picture[PATH_ROOM], depth_map[PATH_ROOM];
    int32_t width_px, height_px;
    bool is_distance; /* the map's numbers are distances; else disparities */
};

struct shoot_opts {
    bool clock;                      /* the demo scene; else the photograph with measured depth */
    const struct shoot_scene *scene; /* or this one; NULL: none */
    bool ruler;   /* or a steel rule that leans back by 45 degrees, as deep as it is wide */
    double noise; /* 1: a good sensor */
    uint64_t seed;
    int32_t slices;           /* from the nearest to the farthest point: sets the depth; 0: 22 */
    double magnification;     /* 0: 4 */
    double f_number;          /* 0: 2.8 */
    int32_t dust, hot_pixels; /* on the sensor */
    double breathing;         /* relative change of scale over the depth; 0: by the rail's perspective */
};

/* One frame, and what is wrong with it. */
struct shoot_frame {
    int64_t at_nm;
    double shake_px;    /* moves by so much during the exposure, evenly */
    double shake_deg;   /* in that direction: 0 to the right, 90 up */
    double sine_px;     /* or swings along it, ten times, by so much zero-to-peak */
    double shift_px;    /* and lies so far to the right as a whole */
    double light_stops; /* brighter */
    int32_t again;      /* other noise */
};

/* Data set of the photograph: aloeL.jpg with aloeGT.png of the package opencv-doc, from Middlebury 2006
 * (Scharstein and Pal 2007); 641 x 555, shot at 4:1, f/2.8. */
struct shoot {
    struct bench bench;
    struct scene_spec scene;
    struct world *world;
    double noise, magnification;
    uint64_t seed;
    int64_t near_nm, far_nm;  /* axis positions that focus the nearest and the farthest point */
    int64_t spacing_nm;       /* what planning chooses for this lens */
    double focal_mm, view_mm; /* distance from the entrance pupil to the plane of focus */
    double blur_px_per_nm;    /* diameter of the blur disc by first order: m^2 / N_eff over the pixel */
    /* What else is done to a frame's file before it is measured: replaces the bytes (mem_new); NULL: nothing.
     */
    void (*touch)(void *arg, const struct shoot_frame *, uint8_t **bytes, size_t *count);
    void *touch_arg;
    struct kept *kept; /* frames already rendered */
    int32_t kept_count, kept_room;
};

void shoot_open(const struct shoot_opts *, struct shoot *); /* asserts success */
void shoot_close(struct shoot *);

/* What check needs of a stack, made from frames at these positions. */
struct shots {
    int32_t frames;
    int64_t *at_nm;
    struct frame_measure *measures;
    const struct frame_measure **list;
    struct frame_row *rows;
    double *planned_scale;
};

void shoot_frames(struct shoot *, const struct shoot_frame *, int32_t n, struct shots *out);
/* first, first + spacing, ... n frames with nothing wrong. */
void shoot_even(struct shoot *, int64_t first_nm, int64_t spacing_nm, int32_t n, struct shots *out);
/* The positions of shoot_even, to be changed before shoot_frames. */
void shoot_places(const struct shoot *, int64_t first_nm, int64_t spacing_nm, int32_t n,
                  struct shoot_frame *out);
void shots_clear(struct shots *);

enum {
    SHOTS_UNKNOWN = 0,
    SHOTS_PLANNED = 1
}; /* as imported: order of capture alone; or with plan and positions */
void shots_check(const struct shots *, int planned, struct verdict *out);

#endif
