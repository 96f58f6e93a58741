/* selection.h - which files of a stack are handed over, under which names, and why; nothing is copied yet. */
#ifndef STADDLE_SELECTION_H
#define STADDLE_SELECTION_H

#include "report/handover.h"
#include "report/record.h"
#include "staddle/stack.h"

struct selection {
    struct stack_info info;
    char date[16];
    char prefix[256]; /* <date>-<job>-<stack> */
    bool all;
    int32_t total, frames, left_out; /* frames of the stack, handed over, left out */
    int32_t references;              /* files of frames outside the order, handed over in their folder */
    int32_t first, last, margin;     /* indices in capture order; last and first are those handed over */
    int32_t first_slice, last_slice;
    int64_t spacing_nm;  /* STACK_NONE when not known, or when it differs between plans */
    double scale_change; /* over the whole stack; 0 when not known */
    struct record record;
};

int selection_make(struct store *, const struct handover_request *, struct selection *out, struct err *why);
void selection_clear(struct selection *);

#endif
