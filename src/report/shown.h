/* shown.h - the measures of a judged stack as its pictures are shown: what is drawn from them lies as a
 * viewer shows the frames. Of a stack that is shown as stored they are the judgement's own. */
#ifndef STADDLE_REPORT_SHOWN_H
#define STADDLE_REPORT_SHOWN_H

#include "report/judge.h"
#include "report/pictures.h"

struct shown {
    struct pictures_of of;
    const struct judgement *judged; /* borrowed */
    struct frame_measure *heads;    /* turned; NULL: nothing is */
};

/* The struct must stay where it is until shown_clear. */
int shown_new(const struct judgement *, struct shown *, struct err *);
void shown_clear(struct shown *); /* safe on a zeroed struct */

#endif
