/* truth.h - what the simulated world says of a stack, tile by tile, and whether a verdict agrees. Nothing
 * here uses what check computes but the verdict under test: the truth is the world's depth map and its
 * all-sharp picture. */
#ifndef TESTS_SUPPORT_TRUTH_H
#define TESTS_SUPPORT_TRUTH_H

#include "tests/support/shoot.h"

#define TRUTH_DEPTHS 6
struct tile_truth {
    bool textured;
    int32_t depth_count;
    double depth_nm[TRUTH_DEPTHS]; /* focus positions that at least a quarter of the tile has, within one
                                      spacing */
    double middle_nm;              /* median over the tile */
    bool one_depth;                /* nine tenths of the tile lie within one spacing */
};
struct truth {
    int32_t rows, cols, textured;
    struct tile_truth *tiles;
};

/* For the grid of a verdict over a first frame at at_nm. A tile is textured when the root mean square of the
 * Laplacian of the all-sharp picture is at least that many code values, less tiles whose depth is unknown or
 * that have left the picture when they come into focus. */
void truth_make(struct shoot *, const struct verdict *grid, int64_t at_nm, double least_rms,
                struct truth *out);
void truth_clear(struct truth *);

/* Share of the textured tiles whose best frame - the one nearest to any of its depths - is handed over. */
double truth_best_frames_handed(const struct truth *, const struct shots *, const struct verdict *);
/* Share of the textured tiles whose first peak is told within one slice of any of its depths. */
double truth_peaks_near(const struct truth *, const struct shots *, const struct verdict *);
/* The same of those that have one depth, and how many these are. */
double truth_peaks_near_one(const struct truth *, const struct shots *, const struct verdict *,
                            int32_t *tiles);
/* Frames that some textured tile needs: the ones before and after its depths. */
void truth_useful(const struct truth *, const struct shots *, int32_t *first, int32_t *last);
/* Frames told as useful beyond those. */
int32_t truth_excess(const struct truth *, const struct shots *, const struct verdict *);
/* Share of the textured tiles that lie more than reach_nm beyond the last frame. */
double truth_unsharp_after(const struct truth *, const struct shots *, double reach_nm);
/* Share of the same tiles that the verdict tells so; its own fraction counts tiles of unknown depth, too. */
double truth_told_unsharp_after(const struct truth *, const struct verdict *);

#endif
