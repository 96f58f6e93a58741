/* bench_measured.h - NAME.measured.yaml beside the bench file NAME.yaml: what calibration found of the bench,
 * with its uncertainty, when and how. The program writes it; what a person wrote is never rewritten. It holds
 * one section, `measured`, and comes before what the bench file says. */
#ifndef STADDLE_CONFIG_BENCH_MEASURED_H
#define STADDLE_CONFIG_BENCH_MEASURED_H

#include "base/err.h"
#include "staddle/bench.h"

/* The bench file and what was measured behind it, as one text: mem_free it. */
int bench_text_read(const char *bench_path, char **text_out, struct err *why);

/* Replaces the measured file; all as config gives it back: backlash.position_nm is the play. */
int bench_measured_write(const char *bench_path, const struct bench_measured *, struct err *why);

#endif
