/* phase_fault.h - one cell of the table phase x fault: a short stack on the simulated bench, to which one
 * thing happens at one moment of its third slice (or at its start, or its end), and what became of it.
 *
 * The truth comes from the world: each kept file must be, byte for byte, the picture of exactly one entry of
 * the shutter log, rendered once more, and that entry's plane of focus must be where the same slice's was in
 * a run to which nothing happened. */
#ifndef TESTS_SUPPORT_PHASE_FAULT_H
#define TESTS_SUPPORT_PHASE_FAULT_H

#include <stdbool.h>
#include <stdint.h>

enum phase {
    PHASE_START,     /* finding its zero */
    PHASE_MOVING,    /* toward the slice, the one before being fetched */
    PHASE_SETTLING,  /* FIRING is being committed */
    PHASE_FIRING,    /* triggered, the shutter still closed */
    PHASE_EXPOSING,  /* open */
    PHASE_FETCHING,  /* in the transfer; the rail is under way to the next */
    PHASE_MEASURING, /* measured and stored */
    PHASE_BETWEEN,   /* just kept */
    PHASE_END,       /* the closing frame is fetched, all else done */
    PHASES
};

enum fault {
    FAULT_CUT,     /* the rail's cable out for 3 s */
    FAULT_NOISE,   /* one byte in 12 damaged, one in 40 dropped, for 2 s */
    FAULT_HUSH,    /* the rail stalls: nothing comes through for 3 s */
    FAULT_RESET,   /* of the controller */
    FAULT_ALARM,   /* the plug of the end switches out: a person's */
    FAULT_UNPLUG,  /* the camera gone for 4 s */
    FAULT_HANG,    /* the camera silent until it is opened again */
    FAULT_LOSE,    /* the next exposure leaves no object */
    FAULT_FULL,    /* disk full for 5 s */
    FAULT_CLOCK,   /* wall clock set back by an hour */
    FAULT_SUSPEND, /* the computer sleeps for an hour */
    FAULTS,
    FAULT_NONE = FAULTS
};

extern const char *const phase_names[PHASES], *const fault_names[FAULTS];

struct cell_result {
    int exit; /* 0, 3 or 4 of the first run */
    int32_t slices, releases;
    int32_t extra;   /* releases beyond one for each frame */
    int32_t caught;  /* exposures between FIRING and KEPT when it happened */
    int32_t spoken;  /* lines that said what is missing */
    double off_um;   /* largest distance of a kept frame from its place */
    double longer_s; /* than a run to which nothing happened */
};

void phase_fault_open(void); /* and shoots the run to which nothing happens */
void phase_fault_close(void);
/* Fails the test where a rule of the table is broken. */
void phase_fault_try(enum phase, enum fault, struct cell_result *out);

#endif
