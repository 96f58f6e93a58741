/* sentence.h - the one sentence that people need: is every textured part of the subject sharp in some frame?
 */
#ifndef STADDLE_REPORT_SENTENCE_H
#define STADDLE_REPORT_SENTENCE_H

#include <stddef.h>

#include "staddle/verdict.h"

enum answer {
    ANSWER_YES,     /* every textured tile, and no grave finding */
    ANSWER_ALMOST,  /* single tiles are not, but nothing that check holds to be grave */
    ANSWER_NO,      /* a grave finding */
    ANSWER_NOTHING, /* no texture anywhere: nothing can be said */
};

enum answer sentence_answer(const struct verdict *);

/* One sentence (two with a grave finding of another kind). Shares are rounded so that 0 and 100 % are never
 * claimed of a part. */
#define SENTENCE_ROOM 512
void sentence_write(const struct verdict *, char out[SENTENCE_ROOM]);

/* Where ground of this state lies, as the order of capture tells it: "nearer than the first frame". */
const char *sentence_where(const struct verdict *, enum tile_state);

/* "12.3 %", "under 0.1 %", "over 99.9 %" */
#define SHARE_ROOM 24
void sentence_share(double part, double whole, char out[SHARE_ROOM]);

#endif
