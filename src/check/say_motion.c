/* say_motion.c - the findings of motion.c and border.c. */
#include <math.h>
#include <stdio.h>

#include "base/findings.h"
#include "check/work.h"

/* ---- a jump that stays ---- */

/* Aligning takes out a sideways jump, but not that the set is then seen from elsewhere: over the depth of the
 * stack that moves near and far against each other by the jump times the change of scale. Two pixels of it
 * are the blur limit that a plan shows (common practice, no source). */
#define PARALLAX_GRAVE_PX 2.0

static double scale_change(const struct work *w)
{
    const int32_t first = w->v.useful_first, last = w->v.useful_last;
    if (first < 0) return 0;
    return fabs(w->v.place[last].scale / w->v.place[first].scale - 1);
}

static bool alone(const struct work *w, const struct frame_group *g)
{
    const bool useful = w->v.useful_first >= 0;
    return useful && (g->last < w->v.useful_first || g->first > w->v.useful_last);
}

int say_moved(struct work *w, struct err *why)
{
    for (int32_t k = 1; k < w->v.group_count; k++) {
        const struct frame_group *before = &w->v.groups[k - 1], *g = &w->v.groups[k];
        if (alone(w, before) || alone(w, g)) continue; /* nobody merges those */
        const double size = hypot(g->jump_x_px, g->jump_y_px);
        const int32_t a = say_number(w, before->first), b = say_number(w, before->last),
                      c = say_number(w, g->first), d = say_number(w, g->last);
        char advice[256];
        snprintf(advice, sizeof advice,
                 "merge %d-%d and %d-%d each by itself and lay the two results over each other; if the "
                 "subject still stands, fix it and shoot the stack again",
                 (int)a, (int)b, (int)c, (int)d);
        const bool grave = size * scale_change(w) >= PARALLAX_GRAVE_PX;
        int rc =
            finding_add(&w->v.findings, (struct finding_about){"moved", grave, advice, &g->first, 1}, why,
                        "the picture moved by %.1f px at slice %d and stayed there: %d-%d are one "
                        "group, %d-%d another",
                        size, (int)c, (int)a, (int)b, (int)c, (int)d);
        if (rc) return rc;
    }
    return E_OK;
}

/* ---- slow drift ---- */

/* Under that a merge's own aligning is as far off; and on clean stacks of open depth data parallax of the
 * scene made up to 0.9 px (measured). */
#define DRIFT_SAID_PX 3.0
#define DRIFT_SIGMAS  6.0

static const char *way_word(double x, double y)
{
    const char *const side = x < 0 ? "to the left" : "to the right", *const tall = y < 0 ? "up" : "down";
    static const char *const both[] = {"down and to the right", "down and to the left", "up and to the right",
                                       "up and to the left"};
    if (fabs(y) < 0.4 * fabs(x)) return side;
    if (fabs(x) < 0.4 * fabs(y)) return tall;
    return both[2 * (y < 0) + (x < 0)];
}

/* Of the way from frame to frame so much is gone in the closing frame: it went with focus, not with time. */
#define BACK_SHARE 0.7

static int say_skew(struct work *w, const char *way, double size, struct err *why)
{
    const struct finding_about about = {
        "skew", false,
        "align the frames when merging; before the next stack turn the camera on "
        "the rail until what is in the middle at the near end is there at the far "
        "end, too",
        NULL, 0};
    return finding_add(
        &w->v.findings, about, why,
        "the picture goes %s, by %.1f px from the first frame to the last, and was back in the "
        "closing frame: the axis does not run where the lens looks",
        way, size);
}

int say_drift(struct work *w, struct err *why)
{
    const struct drift_verdict *d = &w->v.drift;
    const double size = d->known ? hypot(d->x_px, d->y_px) : 0;
    if (size < DRIFT_SAID_PX || size < DRIFT_SIGMAS * d->error_px || size < d->bias_px) return E_OK;
    const char *way = way_word(d->x_px, d->y_px);
    if (d->closing_known && hypot(d->closing_x_px, d->closing_y_px) < (1 - BACK_SHARE) * size)
        return say_skew(w, way, size, why);
    const struct finding_about about = {
        "drift", false,
        d->closing_known
            ? "align the frames when merging; next time fix the subject better, or let it settle before the "
              "first frame"
            : "align the frames when merging; next time fix the subject better, or let it settle before the "
              "first frame. If every stack does it, the rail does not run along the lens's axis",
        NULL, 0};
    if (isnan(d->x_px_per_min))
        return finding_add(&w->v.findings, about, why,
                           "the subject drifts %s, by %.1f px from the first frame to the last", way, size);
    return finding_add(&w->v.findings, about, why,
                       "the subject drifts by %.1f px a minute %s, by %.1f px over the stack",
                       hypot(d->x_px_per_min, d->y_px_per_min), way, size);
}

/* ---- the border ---- */

/* Common practice, no source: a tenth of the width is what one leaves around a subject; what a plan foresaw
 * is no news. */
#define BORDER_SAID 0.10
#define BORDER_MORE 0.03 /* than planned */

int say_border(struct work *w, struct err *why)
{
    const struct border_verdict *b = &w->v.border;
    if (!b->known) return E_OK;
    const double wide = (b->left_px + b->right_px) / w->v.width_px,
                 tall = (b->top_px + b->bottom_px) / w->v.height_px, most = fmax(wide, tall);
    const bool unplanned = most > b->planned_fraction + BORDER_MORE; /* false without a plan */
    if (most < BORDER_SAID && !unplanned) return E_OK;
    return finding_add(
        &w->v.findings,
        (struct finding_about){"border", false,
                               "crop the merged picture by so much, and next time leave more room around the "
                               "subject",
                               NULL, 0},
        why, "not all useful frames see the border: left %.0f px, right %.0f px, top %.0f px, bottom %.0f px",
        b->left_px, b->right_px, b->top_px, b->bottom_px);
}
