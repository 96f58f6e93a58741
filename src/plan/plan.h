/* plan.h - from a bench and a job to the slices to shoot. Pure: structs in, a struct out.
 *
 *    bench + job -> optics of the picture -> spacing -> slices in counts -> travel -> timeline
 *
 *  1. Slices are numbered from 1 and go near to far; each is approached from the near side.
 *  2. A slice between the marks and one on either mark exist, however the numbers round: the last one that is
 * no margin lies on the far mark, to the nearest count.
 *  3. Slice k lies at round(ideal position of k); rounding is never repeated, so errors do not add up.
 *  4. What cannot be shot is refused with the file and line to change; what can be shot badly is a finding.
 */
#ifndef STADDLE_PLAN_PLAN_H
#define STADDLE_PLAN_PLAN_H

#include "base/err.h"
#include "staddle/bench.h"
#include "staddle/finding.h"
#include "staddle/plan.h"

#define PLAN_MARGIN         2
#define PLAN_MARGIN_GUESSED 3
#define PLAN_BLUR_LIMIT_PX  2.0
#define PLAN_CONTRAST_DROP  0.20

/* plan_clear(out) when done, even after findings. E_INPUT when it cannot be shot: nothing is written then
 * but, perhaps, findings. `findings` may be NULL. */
int plan_make(const struct bench *, const struct job *, struct plan *out, struct finding_list *findings,
              struct err *);
void plan_clear(struct plan *); /* NULL is fine */

/* Magnification, effective f-number and what follows from them; contrast_midway and overlap are left 0. */
int plan_optics_make(const struct bench *, const struct job *, struct plan_optics *out, struct err *);

#endif
