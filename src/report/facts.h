/* facts.h - what the page says of the shoot itself: planned beside shot, and the record. */
#ifndef STADDLE_REPORT_FACTS_H
#define STADDLE_REPORT_FACTS_H

#include "report/judge.h"
#include "report/page.h"

#define FACTS_ROWS  8
#define FACTS_NOTES 10

struct facts {
    struct page_row rows[FACTS_ROWS];
    int32_t row_count; /* 0 for an imported stack: nothing was planned */
    struct page_note notes[FACTS_NOTES];
    int32_t note_count;
};

int facts_gather(struct store *, const struct judgement *, const char *version, struct facts *out,
                 struct err *);

#endif
