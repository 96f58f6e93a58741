/* layout.c - built for the chip: where things lie in its memory, as numbers that chip.c reads. */
#include <stddef.h>

#include "firmware/core/core.h"

const uint16_t layout[] = {
    offsetof(struct core, head),       offsetof(struct core, queue),     sizeof(struct core_run),
    offsetof(struct core_run, low),    offsetof(struct core_run, every), offsetof(struct core_run, part),
    offsetof(struct core_run, more),   offsetof(struct core_run, steps), offsetof(struct core_run, last),
    offsetof(struct core, shutter_at),
};
