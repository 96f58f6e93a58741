/* measuring.h - the measures of a stack's frames: from derived/ where they fit, else from the files, several
 * at once. */
#ifndef STADDLE_REPORT_MEASURING_H
#define STADDLE_REPORT_MEASURING_H

#include <stdbool.h>

#include "base/err.h"
#include "staddle/measure.h"
#include "store/store.h"

struct measuring_opts {
    int threads;            /* 0: one a processor */
    bool files_may_be_away; /* a frame whose measures are there needs no file; else it is no frame */
};

/* Fills `measures` (zeroed, `count` of them; the caller clears each, also after an error). What was measured
 * anew is put into derived/, and only its head is held (staddle/measure.h); of a folder that cannot be
 * written it is held as a whole. */
int measuring_run(struct store *, const struct frame_row *rows, int32_t count, const struct measuring_opts *,
                  struct frame_measure *measures, int32_t *measured_out, struct err *);

/* What is in derived/ of a frame; frame_measure_clear it. E_INPUT when it is there no more. */
int measuring_bring(struct store *, const struct frame_row *rows, int32_t frame, struct frame_measure *out,
                    struct err *);

#endif
