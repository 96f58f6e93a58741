#include "sim/lens.h"

#include <math.h>

/* A microscope objective without a stated focal length: as if made for this tube. A guess; only perspective
 * sees it. */
#define TUBE_UM        200000.0
#define CORNER_BLUR_PX 3

int lens_init(struct lens *l, const struct bench *b, double magnification, int ideal, struct err *why)
{
    const struct lens_spec *s = &b->lens;
    const struct camera_spec *c = &b->camera;
    double m = magnification, ratio = s->pupil_ratio > 0 ? s->pupil_ratio : 1;
    double stretch = s->teleconverter > 0 ? s->teleconverter : 1;
    if (!(m > 0) || c->width_px <= 0 || c->height_px <= 0 || c->sensor_width_nm <= 0)
        return fail(why, E_INPUT,
                    "the simulated bench needs a magnification and the size of the sensor; add them");

    double focal_um = s->focal_length_nm > 0 ? (double)s->focal_length_nm / 1000 : TUBE_UM / (m / stretch);
    /* The lens alone makes an image m / stretch; the converter enlarges that. */
    double away_um = focal_um * (stretch / m + 1 / ratio);
    double pupil_um;
    if (s->f_number > 0)
        pupil_um = focal_um / s->f_number;
    else if (s->effective_f_number > 0)
        pupil_um = m * away_um / s->effective_f_number;
    else if (s->na > 0)
        pupil_um = 2 * away_um * s->na;
    else
        return fail(why, E_INPUT,
                    "the simulated lens has no aperture; give f_number, effective_f_number or na");

    *l = (struct lens){
        .magnification = m,
        .pixel_um = (double)c->sensor_width_nm / 1000 / c->width_px,
        .pupil_um = pupil_um,
        .pupil_away_um = away_um,
        .cone = m * away_um / pupil_um,
        .marked_f_number = s->f_number,
        .corner_px = hypot(c->width_px, c->height_px) / 2,
    };
    /* Three pixels of blur in the corner when the middle is sharp: a guess at a decent close-up lens. */
    if (!ideal) l->curvature_um = CORNER_BLUR_PX / lens_disc_px(l, 1);
    return E_OK;
}
