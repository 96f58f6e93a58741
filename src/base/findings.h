/* findings.h - a growing list of findings (staddle/finding.h): remarks, each with what to do about it.
 * The list owns its rows and their frame lists. Start it zeroed; clear it once. */
#ifndef STADDLE_BASE_FINDINGS_H
#define STADDLE_BASE_FINDINGS_H

#include <jansson.h>

#include "base/err.h"
#include "staddle/finding.h"

struct finding_about {
    const char *code; /* at most 31 bytes, e.g. "gap" */
    bool grave;
    const char *advice;    /* what to do; "" when nothing is to be done */
    const int32_t *frames; /* copied; NULL for none */
    int32_t frame_count;
};

/* Appends one; the sentence is printf-like. E_NOMEM leaves the list as it was. Texts longer than their room
 * are cut. */
int finding_add(struct finding_list *, struct finding_about, struct err *, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

bool findings_grave(const struct finding_list *); /* is any of them? */

void findings_clear(struct finding_list *); /* leaves an empty list; NULL is fine */

/* [{code, grave, text, advice, frames[]}], as every verb prints them. NULL when there is no memory. */
json_t *findings_json(const struct finding_list *);

#endif
