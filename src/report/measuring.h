/* measuring.h - the measures of a stack's frames: from derived/ where they fit, else from the files, several
 * at once. */
#ifndef STADDLE_REPORT_MEASURING_H
#define STADDLE_REPORT_MEASURING_H

#include "base/err.h"
#include "staddle/measure.h"
#include "store/store.h"

/* Fills `measures` (zeroed, `count` of them; the caller clears each, also after an error). What was measured
 * anew is put into derived/; a folder that cannot be written costs time only. `threads` 0: one a processor.
 */
int measuring_run(struct store *, const struct frame_row *rows, int32_t count, int threads,
                  struct frame_measure *measures, int32_t *measured_out, struct err *);

#endif
