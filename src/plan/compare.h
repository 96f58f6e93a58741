/* compare.h - the same job with other apertures and other spacings, side by side. */
#ifndef STADDLE_PLAN_COMPARE_H
#define STADDLE_PLAN_COMPARE_H

#include "base/err.h"
#include "staddle/bench.h"
#include "staddle/plan.h"

#define COMPARE_MOST 8

struct compare_row {
    bool own;                      /* as the job has it */
    bool refused;                  /* cannot be planned */
    double marked, effective;      /* f-numbers; marked 0: the bench gives none */
    double contrast_drop, overlap; /* what the spacing follows; the other is negative */
    double airy_px;
    double contrast_in_focus; /* at half the sensor's Nyquist frequency: what diffraction leaves */
    struct plan plan;         /* slices not kept; unset when refused */
};

/* Full stops around the job's own aperture; none for an objective. Returns how many rows. */
int compare_apertures(const struct bench *, const struct job *, struct compare_row rows[COMPARE_MOST]);
/* Contrast drops of 10, 20 and 30 %, overlaps of 50, 30 and 20 %. */
int compare_spacings(const struct bench *, const struct job *, struct compare_row rows[COMPARE_MOST]);

#endif
