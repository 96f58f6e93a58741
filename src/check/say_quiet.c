/* say_quiet.c - the findings of quiet.c. */
#include <math.h>
#include <stdio.h>

#include "base/findings.h"
#include "check/work.h"

/* At half the Nyquist frequency such a smear leaves 0.8 of the contrast (sin(pi x) / (pi x), x a quarter of
 * the length): it costs as much as the spacing of the frames itself may. */
#define SMEAR_GRAVE_PX 1.44

static const char *axis_words(double deg)
{
    static const char *const words[] = {" along the width", " from lower left to upper right",
                                        " along the height", " from upper left to lower right"};
    return isnan(deg) ? "" : words[(int)lround(deg / 45) % 4];
}

static int say_shaken(struct work *w, const struct quiet_verdict *q, struct err *why)
{
    const struct finding_about about = {"shaken", q->smear_px >= SMEAR_GRAVE_PX,
                                        "wait longer after each move, raise the mirror first, use a flash or "
                                        "a shutter that does not shake; then "
                                        "shoot the stack again",
                                        &q->frame, 1};
    return finding_add(&w->v.findings, about, why,
                       "frame %d is shaken, and those around it are no better: beside %s, taken when all was "
                       "still, %.0f %% of the fine contrast is missing, as after a smear of %.1f px%s",
                       (int)say_number(w, q->frame), q->name, 100 * (1 - q->contrast), q->smear_px,
                       axis_words(q->axis_deg));
}

static int say_softer(struct work *w, const struct quiet_verdict *q, struct err *why)
{
    const struct finding_about about = {
        "softer", q->smear_px >= SMEAR_GRAVE_PX,
        "look for a fogged or touched lens, warm air, another aperture, or something that moves in circles; "
        "then shoot the stack again",
        &q->frame, 1};
    return finding_add(&w->v.findings, about, why,
                       "frame %d is softer than %s, and those around it are no better: %.0f %% of the fine "
                       "contrast is missing, in every direction alike",
                       (int)say_number(w, q->frame), q->name, 100 * (1 - q->contrast));
}

int say_quiet(struct work *w, struct err *why)
{
    const struct quiet_verdict *q = &w->v.quiet;
    switch (q->state) {
    case QUIET_NONE:
    case QUIET_ALIKE:
        return E_OK;
    case QUIET_SHAKEN:
        return say_shaken(w, q, why);
    case QUIET_SOFTER:
        return say_softer(w, q, why);
    case QUIET_SHARPER:
        return finding_add(
            &w->v.findings,
            (struct finding_about){"quiet-no-use", false, "take it again, after a longer wait", &q->frame, 1},
            why, "%s is less sharp than frame %d of the stack: it was not still", q->name,
            (int)say_number(w, q->frame));
    case QUIET_NO_USE:
        return finding_add(
            &w->v.findings,
            (struct finding_about){"quiet-no-use", false,
                                   "take it of the same set and light, with the stack's settings, "
                                   "focused on the middle of the subject",
                                   NULL, 0},
            why, "%s cannot be compared with the stack: %s", q->name, q->reason);
    }
    return E_OK;
}
