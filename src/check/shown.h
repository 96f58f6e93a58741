/* shown.h - what was found in the pictures as stored, told as a viewer shows them: turned by the orientation
 * that all their files tell. Where they do not agree nothing is turned (say.c tells which differ). */
#ifndef STADDLE_CHECK_SHOWN_H
#define STADDLE_CHECK_SHOWN_H

#include "check/where.h"

/* TIFF 6.0 tag 274; 1: as stored. */
int32_t shown_orientation(const struct check_input *);

/* The input's region, which is of the picture as shown. */
struct region_px shown_region_to_stored(const struct check_input *);

/* Turns one that is as stored, in place. E_NOMEM leaves it to be cleared. */
int shown_verdict(struct verdict *, int32_t orientation, struct err *);
int shown_where(struct where_map *, int32_t orientation, struct err *);

#endif
