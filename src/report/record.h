/* record.h - what each file of a stack is, and whether it is handed over: the rows behind record.csv and
 * record.json.
 *
 * One row a file, frames first in the order in which they lie in depth (nearest first; in an unknown order as
 * they were shot), then what is no frame: losers of retakes, closing and test exposures. */
#ifndef STADDLE_RECORD_H
#define STADDLE_RECORD_H

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

#include "base/err.h"
#include "staddle/stack.h"
#include "store/store.h"

struct record_row {
    int32_t frame; /* index in capture order, from 0; -1: not a frame of the stack */
    int32_t slice; /* from 1; 0 for what belongs to none */
    int32_t attempt;
    bool handed_over;
    const char *why;  /* "useful", "margin", "all frames asked for", "beyond the useful frames", ... */
    char reason[128]; /* of an exposure that failed: "dark"; else "" */
    char name[320];   /* in the hand-over; "" when left out */
    int64_t target_nm, reached_counts, settle_us, exposure_us, triggered_at_us;
    struct file_row file;
};

struct record {
    struct record_row *rows; /* owned */
    int32_t count;
};

void record_clear(struct record *); /* NULL is fine */

/* RFC 4180: a header line, CRLF, quotes where needed; the same in every locale. Absent values are empty. */
void record_write_csv(const struct record *, FILE *out);

/* {"frames": [...], "references": [...], "left_out": [...]}, absent values null. NULL when there is no
 * memory. */
json_t *record_json(const struct record *);

#endif
