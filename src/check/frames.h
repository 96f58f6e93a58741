/* frames.h - frames that are worse than their neighbours: blurred, shifted, in other light.
 *
 * Each frame is compared with what the frames around it predict, tile by tile, and the middle of what the
 * tiles say is compared with how much that middle scatters over the stack. So a stack that is soft, or
 * drifts, or flickers as a whole is not taken for a bad frame. */
#ifndef STADDLE_CHECK_FRAMES_H
#define STADDLE_CHECK_FRAMES_H

#include "check/shape.h"

/* One value a frame, all in the caller's arrays. */
struct frame_loss {
    double
        fine; /* ln of the energy at full or half size against both neighbours; NAN: too few tiles in focus */
    double direction; /* amplitude of the change by direction: a shake blurs one direction most */
    int32_t tiles;
};
int frames_losses(const struct tiles *, const struct tile_curve *, const struct focus_shape *,
                  const double *z, struct frame_loss *, struct err *);

/* Where each tile's focus lies by its coarse energy, which a shake hardly changes: peak[tile], NAN where one
 * peak does not tell; of tiles whose curve is of this scale or a finer one. */
void frames_focus(const struct tiles *, const struct tile_curve *, int scale_most, double *peak);
/* From a fractional frame to usual spacings. */
double frames_place(const double *z, double at);
/* The cos 2 theta and sin 2 theta parts of the change of ln energy by direction. False where one is nothing.
 */
bool frames_direction_change(const double before[MEASURE_DIRECTIONS], const double after[MEASURE_DIRECTIONS],
                             double *cos_out, double *sin_out);

/* Marks bad[frame]. `judged` counts the frames that could be judged. */
int frames_blurred(const struct frame_loss *, int32_t frames, bool *bad, int32_t *judged, struct err *);

/* A sideways step that the frames around do not explain. */
struct jump {
    double dx_px, dy_px; /* against the usual step; 0 where there is no jump */
    bool away;           /* the picture lies apart from where it was before, for a frame or for good */
    bool stays;          /* and does not come back within JUMP_BACK frames */
};
#define JUMP_BACK 3
int frames_shifted(const struct check_input *, struct jump *, int32_t *judged, struct err *);

/* Light over the stack: t->light. odd[frame]: alone brighter or darker than both sides. */
int frames_light(const struct check_input *, const struct tiles *, struct light_verdict *, bool *odd,
                 struct err *);

#endif
