/* ruler_part.h - inside ruler.h: a gray picture reduced by a whole factor, and a frequency in it. */
#ifndef STADDLE_IMAGE_RULER_PART_H
#define STADDLE_IMAGE_RULER_PART_H

#include "image/ruler.h"

struct ruler_plane {
    int32_t w, h;
    int32_t by;   /* reduced by so much: sample i is the mean of by pixels from i * by on */
    float *value; /* mean taken off; owned */
};

struct ruler_tone {
    double fx, fy; /* cycles per sample of the plane */
};

int ruler_reduce(const uint8_t *luma, int32_t w, int32_t h, int32_t by, struct ruler_plane *out,
                 struct err *);

#define RULER_TONES_MOST 4

/* ruler_spectrum.c: the frequency of the marks, to about a bin; what may be it, most likely first. */
int ruler_find(const struct ruler_plane *, struct ruler_tone out[RULER_TONES_MOST], int *count_out,
               struct err *);

/* ruler_phase.c: the same from the phases, in pixels of the whole picture. */
int ruler_refine(const struct ruler_plane *, struct ruler_tone, struct ruler *out, struct err *);

#endif
