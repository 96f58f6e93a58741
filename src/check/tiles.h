/* tiles.h - the tile grid of the first frame, followed through the stack: for each tile, scale and frame the
 * energy of its Laplacian, made comparable over the frames.
 *
 * A fixed piece of the subject at p (px from the centre of the first frame) lies at scale * p + (dx, dy) in
 * frame i; tiles take the cells that they overlap there, by area. Energies are divided by the square of the
 * frame's light relative to the first frame's, and a floor of noise is taken off, so what is left answers to
 * focus. */
#ifndef STADDLE_CHECK_TILES_H
#define STADDLE_CHECK_TILES_H

#include <stdbool.h>

#include "check/check.h"

#define TILE_TENSOR 3

struct tiles {
    int32_t frames, rows, cols, count; /* count = rows x cols */
    int32_t cell_px, tile_px, width_px, height_px;
    struct frame_place *place; /* [frame] */
    double *light;             /* [frame] ln of the light relative to the first frame, median over tiles */
    bool *inside;              /* [tile] in the region, and seen in most of the frames */
    /* All [tile * frames + frame]; NAN where the tile has left the picture. */
    float *energy[MEASURE_SCALES]; /* variance of the Laplacian, floor not yet taken off */
    float *mean, *clipped;
    /* [(tile * frames + frame) * TILE_TENSOR]: energy by direction is m + c cos 2 theta + s sin 2 theta,
     * since it comes from a structure tensor; m, c, s */
    float *direction;
    /* [tile] */
    float *floor[MEASURE_SCALES]; /* what stays when the tile is far out of focus */
    float *
        jitter[MEASURE_SCALES]; /* robust sigma of the energy from one frame to the next, without its trend */
    float *pixels[MEASURE_SCALES]; /* that the energy was summed over */
};

/* The measure of a frame as a whole: the input's own, or brought; frame_measure_clear(brought) later. */
int tiles_bring(const struct check_input *, int32_t frame, struct frame_measure *brought,
                const struct frame_measure **out, struct err *);

/* tiles_clear it afterwards, also after a failure. */
int tiles_new(const struct check_input *, struct tiles *out, struct err *);
void tiles_clear(struct tiles *);

/* Energy above the floor; at least the jitter, so that its logarithm stays bounded. NAN where not seen. */
double tiles_signal(const struct tiles *, int scale, int32_t tile, int32_t frame);

/* Are frames i and i + 1 a stop or more apart in light? In one that is as good as black nothing is sharp, and
 * the curves tell of that alone. False at the ends. */
bool tiles_light_unlike(const struct tiles *, int32_t i);

/* Is there a glint in the tile near this frame: some pixels are clipped? Its disc has a sharp rim at any
 * distance from focus, and the lamp that it shows lies elsewhere than the face. */
bool tiles_glint(const struct tiles *, int32_t tile, int32_t frame);

/* Energies by direction; false where not seen. */
bool tiles_directions(const struct tiles *, int32_t tile, int32_t frame, double out[MEASURE_DIRECTIONS]);

/* The same of m, c, s as `direction` holds them. */
bool tiles_by_direction(const float tensor[TILE_TENSOR], double out[MEASURE_DIRECTIONS]);

/* Another picture of the set as a frame of the stack: what a tile sees of it there. */
struct tile_sample {
    double energy[MEASURE_SCALES], mean;
    float direction[TILE_TENSOR];
    bool seen; /* all of it, and hardly clipped */
};
void tiles_sample(const struct tiles *, const struct frame_measure *, int32_t frame, int32_t tile,
                  struct tile_sample *out);
/* ln of the light that makes this luma. */
double tiles_light(double luma);
/* Its energy as tiles_signal has them; `light` is ln of its light relative to the first frame. */
double tiles_sample_signal(const struct tiles *, const struct tile_sample *, int scale, int32_t tile,
                           double light);

/* Corner of a tile of the first frame, px. */
void tiles_corner(const struct tiles *, int32_t tile, double *x_px, double *y_px);

/* Where a point of the first frame lies in frame i. */
void tiles_follow(const struct tiles *, int32_t frame, double x_px, double y_px, double *x_out,
                  double *y_out);

#endif
