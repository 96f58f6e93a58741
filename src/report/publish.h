/* publish.h - the pictures and the page of a judged stack, written where people find them: derived/. */
#ifndef STADDLE_REPORT_PUBLISH_H
#define STADDLE_REPORT_PUBLISH_H

#include "report/judge.h"

#define PUBLISH_COVERAGE "coverage.png"
#define PUBLISH_RIDGE    "ridge.png"
#define PUBLISH_FRAME    "frame.png"
#define PUBLISH_RETAKE   "retake.png" /* when a slice was taken again */
#define PUBLISH_CONTACT  "contact.png"
#define PUBLISH_PLACE    "place-%d.png" /* from 1 */
#define PUBLISH_SPOTS    "spots.png"    /* where there are any */
#define PUBLISH_PAGE     "report.html"

/* Also writes the page to `page_path` unless it is NULL: E_INPUT when something else than a report page lies
 * there. Nothing is written unless everything could be made. */
int publish(struct store *, const struct judgement *, const char *version, const char *page_path,
            struct err *);

#endif
