/* render_plan.h - before a picture is drawn: which block of which sheet is needed, and at which size.
 *
 * The frame and some room around it are cut into blocks of 16 x 16 pixels. A block of a sheet is drawn at
 * full size where it is nearly sharp, else at 1/2, 1/4, ... so that its spots are 7 to 14 pixels of that size
 * across. Blocks whose light only lands behind opaque nearer sheets are left out. */
#ifndef STADDLE_SIM_RENDER_PLAN_H
#define STADDLE_SIM_RENDER_PLAN_H

#include "sim/inside.h"

#define BLOCK 16

struct block_plan {
    int8_t level; /* -1: not drawn */
    bool opaque;
    uint16_t radius_px; /* how far its light goes, at most */
};

struct sheet_plan {
    const struct sheet *sheet;
    struct block_plan *blocks; /* of the grid */
    uint8_t *finest; /* for each block of the frame: 0, 1, 2 (or coarser) is the finest size that lights it;
                        3: dark */
    bool drawn;
    unsigned levels;   /* bit l: some block is drawn at that size */
    struct rect lit;   /* where its light lands: pixels, within the frame (rounded outward to blocks) */
    int32_t radius_px; /* the largest */
};

struct render_plan {
    struct view view;
    int32_t width_px, height_px;
    int32_t room;                   /* blocks around the frame */
    int32_t cols, rows;             /* of the grid, room included */
    int32_t frame_cols, frame_rows; /* blocks of the frame alone */
    int32_t count;
    struct sheet_plan *sheets; /* as in the scene, front to back */
    int first_kernel[SHEET_LEVELS], last_kernel[SHEET_LEVELS];
};

/* `spread_px`: how much farther light goes because things move. */
int render_plan_make(struct render_plan *, const struct world *, const struct view *, double spread_px,
                     struct err *);
void render_plan_clear(struct render_plan *);

static inline int32_t plan_block(const struct render_plan *p, int32_t bx, int32_t by)
{
    return (by + p->room) * p->cols + bx + p->room;
}

#endif
