/* main_job_verbs.h - the main job as a person does it: `simulate`, `check` and `handover` on a job file whose
 * scene is the photograph with measured depth, compared with the world's truth. */
#ifndef TESTS_SUPPORT_MAIN_JOB_VERBS_H
#define TESTS_SUPPORT_MAIN_JOB_VERBS_H

#include "tests/support/truth.h"

/* What the three verbs said and left behind. */
struct done {
    struct shoot s;                    /* the same world, for the truth */
    struct shots at;                   /* planned positions only */
    struct verdict v;                  /* of check's JSON: grid, peaks, states, useful range, fractions */
    int32_t handed_first, handed_last; /* 0-based frames whose files lie in the hand-over */
    char codes[512];                   /* of check's findings, each with a space behind */
};

/* `slices` from the nearest to the farthest point of the scene. The job's far mark lies at far_share of that
 * depth, or, with short_px, so that the last frame still blurs the farthest point by so many pixels. Asserts
 * that each verb ends as it has to, that the hand-over's files are contiguous and equal the stack's byte by
 * byte, and that `sha256sum -c` agrees. */
void main_job_do(int32_t slices, double far_share, double short_px, double noise, uint64_t seed,
                 struct done *);
void done_clear(struct done *);

#endif
