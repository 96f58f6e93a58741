/* cmd_plan.h - the two halves of `staddle plan`: the object, and the text made from it alone. */
#ifndef STADDLE_CMD_PLAN_H
#define STADDLE_CMD_PLAN_H

#include <jansson.h>
#include <stdio.h>

#include "plan/within.h"
#include "staddle/bench.h"
#include "staddle/finding.h"
#include "staddle/plan.h"

/* Adds everything that plan says to `result`. `within` may be NULL. */
void plan_describe(json_t *result, const struct bench *, const struct job *, const struct plan *,
                   const struct within *within);
void plan_describe_choices(json_t *result, const struct bench *, const struct job *); /* --compare */

/* Lines of at most 100 columns. */
void plan_text(FILE *, const json_t *result);

#endif
