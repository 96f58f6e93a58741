/* check.h - is every part of the subject sharp in some frame? Rows and measures in, a verdict out; nothing is
 * decoded again and nothing but the verdict is made.
 *
 * The picture of the first frame is cut into tiles, each followed through the stack as its scale and place
 * change. A tile's sharpness over the frames is a curve; its peaks are the frames that show it sharp. From
 * the curves of all tiles together come the ends, the gaps, the frames that are worse than their neighbours,
 * and the three places to look at. The curves are compared with each other only: no lens data is needed. */
#ifndef STADDLE_CHECK_CHECK_H
#define STADDLE_CHECK_CHECK_H

#include "base/err.h"
#include "staddle/measure.h"
#include "staddle/stack.h"
#include "staddle/verdict.h"

#define CHECK_MARGIN                                                                                         \
    2                    /* frames kept beyond the first and the last useful one; common practice, no source \
                          */
#define CHECK_TILE_PX 20 /* a tile is k x k cells, nearest to this */

/* A frame of the same set, taken when nothing had moved for long. */
struct quiet_frame {
    const char *name;
    const struct frame_measure *measure; /* whole */
    int64_t exposure_us;                 /* STACK_NONE where not known */
    double f_number, iso;                /* 0 where not known */
};

/* A frame more, at the first one's place after all others. */
struct closing_frame {
    struct frame_shift shift; /* of its picture against the first frame's */
    int64_t after_us;         /* the first frame; STACK_NONE where not known */
};

struct check_input {
    int32_t frames;
    const struct frame_row *rows; /* capture order; NULL when nothing is known but the pictures */
    const struct frame_measure *const *measures; /* one a frame, all of one size and cell grid */
    const double *
        planned_scale; /* of a fixed subject point, relative to the first frame; NULL when there is no plan */
    const int64_t *place_nm;      /* of the axis at each frame; NULL when not known */
    struct measure_source source; /* of cells that measures leave out */
    struct region_px region;      /* of the first frame as it is shown; w == 0: all */
    enum stack_order order;
    double dof_slices; /* depth of field over spacing, from the plan; 0 unknown */
    const struct quiet_frame *quiet;
    int32_t quiet_count;
    const struct closing_frame *closing; /* NULL: none */
};

/* E_INPUT when there are no frames, sizes differ, or the region lies outside the picture. On success the
 * caller owns what `out` holds: verdict_clear. Pure: the same input gives the same verdict. */
int check_stack(const struct check_input *, struct verdict *out, struct err *);

/* Is this something to judge? E_INPUT as above. */
int check_right_input(const struct check_input *, struct err *);

void verdict_clear(struct verdict *); /* safe on a zeroed struct, and twice */

#endif
