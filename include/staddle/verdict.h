/* verdict.h - what check says of a stack. Frame indices are 0-based in capture order; fractions are 0..1.
 * Places, ways and sides are those of the pictures as a viewer shows them: turned by `orientation`. */
#ifndef STADDLE_VERDICT_H
#define STADDLE_VERDICT_H

#include <stdbool.h>
#include <stdint.h>

#include "staddle/bench.h"
#include "staddle/finding.h"
#include "staddle/stack.h"

#define PEAKS_MOST 4

enum tile_state {
    TILE_OUTSIDE,
    TILE_NO_TEXTURE,
    TILE_COVERED,
    TILE_UNSHARP_BEFORE,
    TILE_UNSHARP_AFTER,
    TILE_GAP
};

/* A point of the first frame, px from its centre, lies at scale * p + (dx, dy) in this frame. */
struct frame_place {
    double scale, dx_px, dy_px;
};

/* A tile is a piece of the picture of the first frame, followed through the stack's change of scale. */
struct tile_verdict {
    enum tile_state state;
    int32_t peak_count;
    float peak[PEAKS_MOST];       /* fractional frame index; peak[0] is the strongest */
    float peak_um[PEAKS_MOST];    /* the same as places of the axis; NAN where positions are not known */
    float confidence[PEAKS_MOST]; /* 0..1 */
    float sharpness;              /* of the best frame, relative to the stack's median tile */
    double beyond;                /* spacings beyond the end; of tiles that are sharp in no frame for that */
};

struct gap {
    int32_t after;   /* the frame before the hole */
    int32_t missing; /* how many slices, by the spacing around it */
    int32_t tiles;   /* that are sharp in none because of it */
};

struct weak_place {
    int32_t at_x_px, at_y_px;       /* its middle in its best frame */
    int32_t x_px, y_px, w_px, h_px; /* a window around it, inside that frame */
    int32_t frame;
    float sharpness; /* relative */
    char reason[96];
};

struct light_verdict {
    double scatter_stops; /* robust sigma around the slope */
    double slope_stops;   /* over the whole stack */
    int32_t *jumps;       /* frame after the jump */
    int32_t jump_count;
};

/* Places of the axis that focus the nearest and the deepest sharp part. */
struct depth_verdict {
    bool known;
    double nearest_um, deepest_um;
};

/* Where the subject went on the picture beyond what its change of scale explains: right and down, in pixels
 * of the picture. What lies aside in the closing frame, too, moved with time; what is back there, with focus.
 */
struct drift_verdict {
    bool known; /* enough frames tell, or the closing frame; else all is NAN */
    bool closing_known;
    double closing_x_px, closing_y_px; /* there, against the first frame; NAN where not known */
    double x_px, y_px;                 /* slowly, over the whole stack; jumps left out */
    double error_px;                   /* sigma of that */
    double bias_px;                    /* what else may be wrong with it, to any side */
    double minutes; /* from the first frame to the last; NAN where capture times are not known */
    double x_px_per_min, y_px_per_min; /* NAN without times */
};

/* Frames between which the subject did not move in a jump. */
struct frame_group {
    int32_t first, last;
    double jump_x_px, jump_y_px; /* before it; 0 for the first group */
};

/* What the frames of the useful range do not all see, in pixels of the first of them, or of the last
 * where that shows more. */
struct border_verdict {
    bool known;
    double left_px, right_px, top_px, bottom_px;
    double planned_fraction; /* of the width, that the planned change of scale takes; NAN without a plan */
};

/* What a frame that was taken when all was still says of the stack's sharpness (check/quiet.h). */
enum quiet_state {
    QUIET_NONE,    /* there is no such frame */
    QUIET_NO_USE,  /* there is, and it cannot be compared: reason */
    QUIET_ALIKE,   /* the stack is as sharp */
    QUIET_SHAKEN,  /* less sharp, along one line most */
    QUIET_SOFTER,  /* less sharp, whatever the direction */
    QUIET_SHARPER, /* more: the frame was not still itself */
};
struct quiet_verdict {
    enum quiet_state state;
    char name[64];    /* of its file */
    char reason[128]; /* NO_USE: why */
    double at;        /* fractional frame that shows the same focus; NAN: none found */
    int32_t frame;    /* the compared one that is nearest; -1: none */
    int32_t tiles;    /* that were compared */
    double smear_px;  /* an even smear so long takes as much; 0 where it takes none */
    double error_px;  /* sigma of that */
    double axis_deg;  /* of the shake: 0 along the width, 90 along the height, counter-clockwise */
    double contrast;  /* of fine detail, over that of the quiet frame: full size */
};

/* How sharp each depth of the subject is in each frame. Depths and frames are counted in the stack's usual
 * spacing from the first frame, so that a missing slice leaves a hole. */
struct ridge {
    int32_t depths;
    double depth_spacings; /* what one depth spans */
    int32_t *tiles;        /* [depth] how many are sharpest there */
    float *sharpness;      /* [depth * frames + frame] their contrast together, 1 in focus; 0: none */
    double *place;         /* [frame] */
};

/* What stays put on the sensor whatever the subject does: a hot one is that pixel, dust a point. */
struct sensor_spot {
    bool hot; /* a bright pixel; else the shadow of dust */
    double x_px, y_px;
    double size_px;  /* across, about */
    double strength; /* hot: code values over its neighbours; dust: share of the code values that it takes */
    int32_t frames;  /* that show it, of the few that were asked */
};

struct frame_list {
    int32_t *rows;
    int32_t count, room;
};

struct verdict {
    int32_t frames;
    int32_t useful_first, useful_last; /* -1 when nothing is sharp */
    int32_t margin;
    enum stack_order order;
    int32_t orientation; /* that all frames tell (TIFF 6.0 tag 274, 1..8); 1 where they do not agree */
    int32_t width_px, height_px;
    int32_t tile_px, cell_px, rows, cols; /* tile grid over the first frame; tile_px = k * cell_px */
    int32_t grid_x_px, grid_y_px;         /* its corner: 0 as stored, and where it is turned what the last row
                                             or column left over, or reaches beyond the picture (below 0) */
    struct tile_verdict *tiles;
    struct frame_place *place; /* [frame] */
    double textured_fraction, covered_fraction;
    double unsharp_before_fraction, unsharp_after_fraction;          /* of textured tiles */
    struct frame_list unneeded, blurred, shifted, swapped, repeated; /* swapped: first of each pair */
    struct depth_verdict depth;
    struct drift_verdict drift;
    struct frame_group *groups; /* one: nothing moved */
    int32_t group_count;
    struct border_verdict border;
    struct quiet_verdict quiet;
    struct ridge ridge;
    struct sensor_spot *spots; /* dust first, each kind from strong to weak */
    int32_t spot_count;
    struct gap *gaps;
    int32_t gap_count;
    struct light_verdict light;
    struct weak_place weakest[3];
    int32_t weakest_count;
    struct region_px region;
    struct finding_list findings;
};

#endif
