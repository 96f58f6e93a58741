/* made_up.h - a verdict and its measures, invented: a slope that rises to the right, a hair across it, flat
 * ground, a piece beyond either end and a gap. For what shows verdicts; what makes them is tested against
 * worlds. */
#ifndef TESTS_SUPPORT_MADE_UP_H
#define TESTS_SUPPORT_MADE_UP_H

#include "report/page.h"

struct made_up {
    struct verdict verdict;
    struct frame_row *rows;
    struct frame_measure *measures;
    struct stack_info info;
};

/* `frames` of width x height px. With `faults`: parts that are sharp nowhere, findings, three weak places. */
struct made_up *made_up_stack(int32_t frames, int32_t width_px, int32_t height_px, bool faults);
void made_up_free(struct made_up *);
struct pictures_of made_up_pictures(const struct made_up *);

#endif
