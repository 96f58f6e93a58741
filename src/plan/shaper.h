/* shaper.h - moves that leave nothing ringing.
 *
 * A shaper is a few impulses half a damped period apart, of such sizes that what each leaves ringing is
 * cancelled by the others: three (ZVD), or four (ZVDD), which forgives a worse knowledge of the frequency.
 * Convolved with a box of b periods it is a move of few slots of one rate each, that lasts b + 1 (ZVD) or b
 * + 1.5 (ZVDD) periods: the wider the box, the slower the motor.
 *
 *     for lengths from 1.5 periods on:  ZVD x box, ZVDD x box -> too fast? in a band to avoid? rings too
 * much? -> the first that is none of these
 *
 *  1. What is predicted is predicted for the edges that the controller puts out, at the worst frequency and
 * damping that the measurement leaves possible.
 *  2. Where no shape is still enough the quickest way to stillness is taken, wait included, and said.
 * source  Singer and Seering 1990, J. Dyn. Sys. Meas. Control 112:76 (impulses and their sizes); tables of
 * Kang 2019, IEEE Control Syst. Mag. 39(4):40 */
#ifndef STADDLE_PLAN_SHAPER_H
#define STADDLE_PLAN_SHAPER_H

#include "plan/residual.h"
#include "plan/timeline.h"

#define SHAPER_BUDGET_NM                                                                                     \
    500 /* zero-to-peak: a seventh of a pixel at magnification 1 and 3.5 um pixels; our choice */
#define SHAPER_COUNTS 32767 /* of a shaped move at most (hw-docs/wire.md) */

/* The shape for moves of that many counts. Without a known ring: kind NONE, no wait, why SHAPE_NO_RING. */
void shaper_find(const struct timeline_motion *, const struct plan_ring *, int64_t budget_nm, int64_t counts,
                 struct plan_shape *out);

/* Impulses of a shaper, adding up to 1, half a damped period apart; returns how many. */
int shaper_impulses(enum plan_shaper, double zeta, double out[4]);

/* Whether a move of so many counts may go by that shape. */
bool shaper_takes(const struct timeline_motion *, const struct plan_shape *, int64_t counts);

/* From the last edge until less than the budget is left, of a move by that shape, or by the ramp (shape
 * NULL). Counts 0: of any distance by the ramp. */
int64_t shaper_wait_us(const struct timeline_motion *, const struct plan_ring *, int64_t budget_nm,
                       const struct plan_shape *, int64_t counts);

#endif
