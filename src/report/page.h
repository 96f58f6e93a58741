/* page.h - the report page: one HTML file that needs nothing else and no network. Its one script, ours,
 * answers a click on the map; without it the page is as complete. Pure: facts in,
 * text out. It prints, it reads on a phone, and it follows the reader's dark or light setting. */
#ifndef STADDLE_REPORT_PAGE_H
#define STADDLE_REPORT_PAGE_H

#include "check/where.h"
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
    const struct drawing *coverage, *ridge, *frame, *contact;
    const struct drawing *retake, *spots; /* NULL: none */
    const struct drawing *places[3];      /* as many as verdict->weakest_count */
    const struct page_row *rows;
    int32_t row_count;
    const struct page_note *notes;
    int32_t note_count;
    /* What a click on the map is answered from; NULL: nothing. */
    const struct where_map *map;
    const char *const *handed; /* [frame] name in the hand-over; "" when left out */
};

/* Appends the page to `h` (h->rc tells). */
int page_write(const struct page_facts *, struct html *h);

extern const char page_style[]; /* page_style.c */

/* page_where.c: the coverage map, to be clicked on, and the table behind it. */
void page_write_map(const struct page_facts *, struct html *);
void page_write_answers(const struct page_facts *, struct html *);
void page_write_image(struct html *, const struct drawing *, const char *alt);
extern const char page_script[];

#endif
