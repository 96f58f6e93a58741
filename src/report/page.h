/* page.h - the report page: one HTML file that needs nothing else, no script, no network. Pure: facts in,
 * text out. It prints, it reads on a phone, and it follows the reader's dark or light setting. */
#ifndef STADDLE_REPORT_PAGE_H
#define STADDLE_REPORT_PAGE_H

#include "report/html.h"
#include "report/pictures.h"

/* The first bytes of every page, by which an older page is known as ours and may be replaced. */
#define PAGE_BEGINNING "<!DOCTYPE html>\n<!-- stack report written by staddle -->\n"

/* A row of 'planned and shot'; text may be empty. */
struct page_row {
    char what[48], planned[64], shot[64];
};

/* A line of the record. */
struct page_note {
    char what[48], text[256];
};

struct page_facts {
    const struct stack_info *info;
    struct pictures_of stack;
    const struct drawing *coverage, *contact;
    const struct drawing *places[3]; /* as many as verdict->weakest_count */
    const struct page_row *rows;
    int32_t row_count;
    const struct page_note *notes;
    int32_t note_count;
};

/* Appends the page to `h` (h->rc tells). */
int page_write(const struct page_facts *, struct html *h);

extern const char page_style[]; /* page_style.c */

#endif
