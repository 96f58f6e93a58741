/* main_job.h - the cases of the main job on a photograph with measured depth, each as one function that
 * prints what it measures and asserts against the world's truth. Shared by the fast and the long tests. */
#ifndef TESTS_SUPPORT_MAIN_JOB_H
#define TESTS_SUPPORT_MAIN_JOB_H

#include "tests/support/truth.h"

/* Code values of the Laplacian that a tile has to have at least: about four times the noise of the worst
 * stack here. */
#define MAIN_JOB_TEXTURE 3.0

/* The whole depth and four frames more at each end: best frames, peaks, ends, nothing blamed. */
void main_job_whole(double noise, uint64_t seed, int planned);
/* The last frame leaves the farthest tile blurred by so much: side and share. */
void main_job_too_short(double noise, uint64_t seed, double blur_px);
/* Much too short: side, and half of the share. */
void main_job_far_too_short(double noise, uint64_t seed);
/* So many times the depth too far. */
void main_job_too_far(double noise, uint64_t seed, double times);
/* Frames left out of the middle, the rest renumbered. */
void main_job_gap(double noise, uint64_t seed, int32_t after, int32_t missing);
/* Twice as dense, and every second frame of that. */
void main_job_dense(double noise, uint64_t seed);

/* The hair of the demo scene, which lies in front of everything: its own frame is useful, and peaks show it.
 */
void main_job_hair(double noise, uint64_t seed);
/* Wrong answers planted into a right verdict, and wrong frames under a right one: each truth must then fail.
 */
void main_job_planted(double noise, uint64_t seed);
/* Stacks in which nothing is wrong: whole, in the other order, with less room at either end. Adds up. */
struct clean_count {
    int32_t stacks, blamed;
    char words[200]; /* of the last blamed */
};
void main_job_clean(const struct shoot_opts *, double offset, struct clean_count *);
/* One bad frame among good ones: shaken, shifted, darker, exchanged, repeated; each named, and nothing else.
 */
void main_job_bad_frames(double noise, uint64_t seed);

/* What a stack in which nothing is wrong was blamed for: gaps, bad, exchanged and repeated frames, jumps of
 * light, ends.
 */
int32_t main_job_blames(const struct verdict *, char *words, size_t room);

#endif
