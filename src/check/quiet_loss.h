/* quiet_loss.h - what the stack has less of than the quiet frame, where both show the same focus: medians
 * over the tiles in focus in both. Used only by quiet*.c. */
#ifndef STADDLE_CHECK_QUIET_LOSS_H
#define STADDLE_CHECK_QUIET_LOSS_H

#include "check/look.h"
#include "check/smear.h"

struct quiet_loss {
    double ln_energy[MEASURE_SCALES]; /* of the stack over the quiet frame */
    double error[MEASURE_SCALES];     /* sigma; NAN, as ln_energy: too few tiles tell */
    double cosine, sine;              /* parts of the change of ln energy by direction */
    double ways_error;                /* sigma of their amplitude */
    double apart;                     /* frames from the nearest one of those compared */
    int32_t tiles;
    int32_t frame; /* that is nearest, of those that were compared */
};

/* Of the frames beside `at`, each as much as it is near; those that are blurred against their neighbours are
 * told elsewhere. False: too little is in focus there. */
bool quiet_lose(const struct look *, double at, struct quiet_loss *out);

/* The texture of what is in focus there, in the quiet frame. mem_free it. */
int quiet_texture(const struct look *, double at, struct smear_texture **out, struct err *);

#endif
