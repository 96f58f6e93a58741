/* lens.h - the simulated lens as rays see it: two pupils and a sensor, nothing else.
 *
 * A point at distance d from the entrance pupil sends a cone through the pupil's rim. Where that cone meets
 * the plane of focus it leaves a disc; the sensor shows the disc m times as large. Its centre goes through
 * the middle of the pupil: that is the perspective. Sideways positions are counted in pixels of the plane of
 * focus. */
#ifndef STADDLE_SIM_LENS_H
#define STADDLE_SIM_LENS_H

#include "base/err.h"
#include "staddle/bench.h"

struct lens {
    double magnification;
    double pixel_um;      /* on the sensor */
    double pupil_um;      /* diameter of the entrance pupil */
    double pupil_away_um; /* from the entrance pupil to the plane of focus */
    double
        cone; /* image side: distance over diameter of the cone that makes a pixel, the effective f-number */
    double marked_f_number; /* 0 when the bench does not tell */
    double
        curvature_um; /* the plane of focus lies this much nearer to the camera in the corner of the frame */
    double corner_px; /* from the centre */
};

int lens_init(struct lens *, const struct bench *, double magnification, int ideal, struct err *);

/* How much wider the field is `behind_um` beyond the plane of focus. A rail driven so far that the subject
 * would be inside the lens sees it as if just before it. */
static inline double lens_wider(const struct lens *l, double behind_um)
{
    double wider = 1 + behind_um / l->pupil_away_um;
    return wider > 0.05 ? wider : 0.05;
}

/* Signed diameter in pixels of the disc of a point that is `behind_um` beyond the plane of focus. */
static inline double lens_disc_px(const struct lens *l, double behind_um)
{
    return l->magnification * l->pupil_um * behind_um / (l->pupil_away_um * lens_wider(l, behind_um)) /
           l->pixel_um;
}

#endif
