/* html.h - text that grows, and the three ways into it: as markup that we wrote, as text from outside
 * (escaped), as bytes in base64 (RFC 4648). The first failure sticks in `rc`; everything after it does
 * nothing. */
#ifndef STADDLE_REPORT_HTML_H
#define STADDLE_REPORT_HTML_H

#include <stddef.h>
#include <stdint.h>

#include "base/err.h"

struct html {
    char *bytes; /* NUL behind the last; owned: html_clear */
    size_t count, room;
    int rc;
    struct err *why;
};

void html_clear(struct html *);

void html_markup(struct html *, const char *markup);

/* `format` is markup of ours and takes numbers only: nothing from outside goes through here. */
void html_number(struct html *, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* Anything: & < > " ' become entities, control characters and bytes that are no UTF-8 become U+FFFD. */
void html_text(struct html *, const char *text);

void html_base64(struct html *, const uint8_t *bytes, size_t count);

#endif
