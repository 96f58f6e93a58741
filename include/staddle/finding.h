/* finding.h - one remark, with what to do about it. */
#ifndef STADDLE_FINDING_H
#define STADDLE_FINDING_H

#include <stdbool.h>
#include <stdint.h>

struct finding {
    char code[32]; /* stable, for programs: "gap", "too-short-far" */
    bool grave;    /* the stack is not complete, or the picture would show it */
    char text[256];
    char advice[256];
    int32_t *frames; /* 0-based, capture order; owned by the list */
    int32_t frame_count;
};

struct finding_list {
    struct finding *rows;
    int32_t count, room;
};

#endif
