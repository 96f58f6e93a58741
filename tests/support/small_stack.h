/* small_stack.h - a planned stack of five slices, 1000 nm apart, and ways to shoot in it without a camera: a
 * frame's bytes are its name. The calls fail the test when the store refuses. */
#ifndef TESTS_SUPPORT_SMALL_STACK_H
#define TESTS_SUPPORT_SMALL_STACK_H

#include "store/store.h"

#define SLICES 5
#define WALL   1000000000000000LL

struct store *planned(const char *name, int64_t *plan_id);

/* What a run would ask for. */
struct exposure_row wish(int64_t plan_id, int32_t slice);

/* Puts the file of that exposure into the frames folder. */
struct file_row put_file(struct store *, const struct exposure_row *, const char *ext);

/* A whole exposure of that slice, kept: its id. */
int64_t keep(struct store *, int64_t plan_id, int32_t slice);

#endif
