/* register.h - shift and scale of a frame against the one before it, to a few hundredths of a pixel.
 *
 * Both pictures are reduced and band-passed (register_view). The phase correlation of the smallest level
 * proposes whole shifts, of which the one whose overlap matches best is taken; nine tiles around it give a
 * coarse scale. From there, from the smallest level to the largest, a least-squares fit of up to 400 tiles
 * (Lucas and Kanade 1981, with a gain for each tile, gradients of both pictures and six-point interpolation)
 * and a robust fit over the tiles give (dx, dy, scale). Peaks of the phase correlation are never
 * interpolated: a parabola through them is off by up to 0.1 px.
 *
 * A tile counts by how surely it tells: by its texture's strength and direction, the noise that the fit
 * leaves, and what a change of focus does to it. What the fit's covariance then leaves open goes into the
 * confidence, in the middle and in the corners: where only one hair or edge is in focus the tiles may agree
 * and the scale is still off by up to 0.1 %; there the trust is WEAK, and a planned scale is better than a
 * measured one.
 *
 * Trust: NONE without texture or agreement; AMBIGUOUS when the texture repeats and the coarse picture does
 * not decide which of its repetitions it is; WEAK when little of the texture agrees, or what agrees leaves
 * shift or scale open; else GOOD.
 */
#ifndef STADDLE_IMAGE_REGISTER_H
#define STADDLE_IMAGE_REGISTER_H

#include "base/err.h"
#include "staddle/measure.h"

struct register_view;  /* what is kept of a picture to register against: a few hundred kilobytes to a few
                          megabytes */
struct register_space; /* buffers and transforms of one worker; one thread at a time */

struct register_space *register_space_new(struct err *why);
void register_space_free(struct register_space *); /* NULL is fine */

/* How often a picture is halved for its view: 0..3. */
int register_scale(int32_t width_px, int32_t height_px);

/* From the picture halved so often: bytes at scale 0, else uint16_t in 1/256 of a code value, as cells_view
 * gives it. Keeps nothing of it, and may be read by several threads at once. */
struct register_view *register_view_new(struct register_space *, int32_t width_px, int32_t height_px,
                                        const void *plane, struct err *why);
void register_view_free(struct register_view *); /* NULL is fine */

/* Where `now` lies relative to `before`, in pixels of the full picture (staddle/measure.h).
 * units   dx_px, dy_px 0 and scale 1 under SHIFT_NONE; what was locked to, perhaps a period off, under
 * AMBIGUOUS errors  E_INPUT when the two differ in size; E_NOMEM. No agreement is no error: trust tells. */
int register_shift(struct register_space *, const struct register_view *before,
                   const struct register_view *now, struct frame_shift *out, struct err *why);

const char *shift_trust_name(enum shift_trust); /* "none", "weak", "ambiguous", "good" */

/* Phase correlation of two width x height planes (row by row), cyclic: out[y * width + x] is the correlation
 * at the shift (x, y) of `now` against `before`, 1 for an exact cyclic shift (Kuglin and Hines 1975). errors
 * E_INPUT below 2 x 2 or above 4096 a side; E_NOMEM */
int register_phase_correlation(struct register_space *, int32_t width, int32_t height, const float *before,
                               const float *now, float *out, struct err *why);

#endif
