/* ruler.h - the distance of the marks of a ruler in a picture, whichever way it lies.
 *
 *    luma -> spectrum (coarse vector frequency, harmonics sorted out) -> phase of that frequency block by
 * block -> plane fitted to the phases: the frequency to a small part of a bin, and its change across the
 * picture
 *
 * The largest sample of a spectrum is good to half a bin. The frequency of a tone is found best where its
 * periodogram is highest (Rife and Boorstyn, IEEE Trans. Inf. Theory 20:591, 1974), and with good signal just
 * as well by a straight line through its phases (Tretter, IEEE Trans. Inf. Theory 31:832, 1985; both from
 * memory): the first brings the phases within half a turn, the second measures. Longer marks at every fifth
 * and tenth add tones at fifths and tenths of the frequency, evenly on both sides of it, so they change the
 * amplitude and not the phase. Pure; single precision transforms, the same result every time. */
#ifndef STADDLE_IMAGE_RULER_H
#define STADDLE_IMAGE_RULER_H

#include <stdint.h>

#include "base/err.h"

#define RULER_PERIOD_LEAST_PX 4.0
#define RULER_PERIODS_LEAST   6 /* fewer are no ruler */

struct ruler {
    double period_px;      /* distance of neighbouring marks in the middle of the picture */
    double uncertainty_px; /* one sigma, from the scatter of the phases */
    double angle_deg;      /* of the ruler's length against the picture's width, -90..90; down is positive */
    double periods;        /* that were seen, along the ruler */
    double change; /* of the period from one end of what was seen to the other, relative: a tilted ruler */
};

/* shape   8 bit luma, w x h without gaps, at least 64 px a side
 * errors  E_INPUT: no marks at even distances, or too few of them, with what to do; E_NOMEM */
int ruler_measure(const uint8_t *luma, int32_t w, int32_t h, struct ruler *out, struct err *);

#endif
