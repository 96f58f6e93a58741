/* calibrate_sizes.c - how far the orders of a lens's motor go against each other.
 *
 * A sweep by one size alone, always the same way, is the scale: each picture after that is placed in it, in
 * orders of that size. Then the same stretch again by each of the other sizes:
 *
 *   back, and forth until the play is out -> sweep -> back, forth -> small, small, ... -> back, forth -> ...
 *
 * The scale is the largest size that is no longer than the way from picture to picture; that needs a guess of
 * what they are worth, and nothing else does. */
#include <math.h>
#include <stdlib.h>

#include "run/calibrate_part.h"

#define FRAMES  CALIBRATE_FRAMES
#define WORTH   6 /* a medium order in small ones, and a large in medium ones, where nobody says (guess) */
#define LOOKS   6 /* by each of the other sizes; our choice */
#define STRETCH 4 /* frames of the sweep that they go over; our choice */
#define FIRST   2 /* the frame where they begin, just within; our choice */

struct sizing {
    struct calibrating *c;
    struct sweep sweep; /* positions in orders of the scale */
    int32_t orders[3];
    int scale;        /* which of them */
    int32_t apart;    /* of its orders, from picture to picture */
    int32_t take;     /* of its orders, which take up the play */
    int32_t times[3]; /* orders of a size from look to look */
    double here;      /* orders of the scale from the sweep's beginning, about */
};

static int make(struct sizing *z, int size, int32_t times, struct err *why)
{
    const int32_t order = times < 0 ? -z->orders[size] : z->orders[size];
    int rc = E_OK;
    for (int32_t i = 0; i < abs(times) && !rc; i++)
        rc = axis_session_order(z->c->axis, order, why);
    return rc;
}

/* Back, and forth to that frame: the play is out. */
static int begin_at(struct sizing *z, int32_t frame, struct err *why)
{
    const int32_t to = frame * z->apart;
    int rc = make(z, z->scale, to - (int32_t)lround(z->here) - z->take, why);
    z->here = to;
    return rc ? rc : make(z, z->scale, z->take, why);
}

static int sweep_forth(struct sizing *z, struct err *why)
{
    z->here = FRAMES / 2.0 * z->apart;
    int rc = begin_at(z, 0, why);
    for (int32_t k = 0; k < FRAMES && !rc; k++) {
        if (k) rc = make(z, z->scale, z->apart, why);
        if (!rc) rc = calibrate_look(z->c, &z->sweep, k, why);
    }
    z->here = (FRAMES - 1) * z->apart;
    z->sweep.first = 0;
    z->sweep.step = z->apart;
    return rc;
}

/* A straight line through places against orders made: its slope, and how well that is known, by how far they
 * lie off it or by what each says of itself, whichever is more. */
static void line(const double *at, const double *sigma, int32_t n, double *slope, double *uncertainty)
{
    double x = 0, y = 0, xx = 0, xy = 0, off = 0, said = 0;
    for (int32_t i = 0; i < n; i++)
        x += (double)i / n, y += at[i] / n;
    for (int32_t i = 0; i < n; i++)
        xx += (i - x) * (i - x), xy += (i - x) * (at[i] - y);
    *slope = xy / xx;
    for (int32_t i = 0; i < n; i++) {
        if (n > 2) off += pow(at[i] - y - *slope * (i - x), 2) / (n - 2);
        said += sigma[i] * sigma[i] / n;
    }
    *uncertainty = sqrt(fmax(off, said) / xx);
}

/* Where the sweep saw the same, in orders of the scale; false where it did not. */
static int place(struct sizing *z, bool *seen, double *at, double *sigma, struct err *why)
{
    struct sweep one = {0};
    struct sweep_seen found;
    struct err unseen;
    int rc = calibrate_look(z->c, &one, 0, why);
    if (rc) return rc;
    one.first = 0;
    rc = sweep_place(&z->sweep, &one, 0, &found, &unseen);
    sweep_clear(&one);
    *seen = !rc && !found.beyond;
    if (rc && rc != E_INPUT) return fail(why, rc, "%s", unseen.text);
    *at = -found.shift;
    *sigma = found.uncertainty;
    return E_OK;
}

/* A look after every few orders of a size, as long as the sweep has seen the like: what one is worth. NAN
 * where fewer than two looks tell. */
static int follow(struct sizing *z, int size, double *worth, double *sigma, struct err *why)
{
    double at[LOOKS], said[LOOKS];
    bool seen = true;
    int32_t n = 0;
    int rc = begin_at(z, FIRST, why);
    *worth = *sigma = NAN;
    for (int32_t i = 0; i < LOOKS && seen && !rc; i++) {
        if (i) rc = make(z, size, z->times[size], why);
        if (!rc) rc = place(z, &seen, &at[n], &said[n], why);
        if (!rc && seen) z->here = at[n++];
    }
    if (rc || n < 2) return rc;
    if (!seen) z->here += z->here - at[n - 2];
    line(at, said, n, worth, sigma);
    *worth /= z->times[size];
    *sigma /= z->times[size];
    return E_OK;
}

static int measure(struct sizing *z, struct err *why)
{
    struct calibration_sizes *out = &z->c->sizes;
    double worth[3] = {NAN, NAN, NAN}, share[3] = {0}; /* in orders of the scale; uncertain by such a share */
    int rc = sweep_forth(z, why);
    worth[z->scale] = 1;
    for (int i = 0; i < 3 && !rc; i++) {
        double sigma;
        if (i == z->scale || !z->orders[i]) continue;
        rc = follow(z, i, &worth[i], &sigma, why);
        if (rc == E_STATE && !z->c->sizes.named) rc = E_OK; /* it takes no order so short */
        share[i] = sigma / worth[i];
    }
    for (int i = 0; i < 2; i++) {
        out->ratio[i] = worth[i + 1] / worth[i];
        out->uncertainty[i] = out->ratio[i] * hypot(share[i], share[i + 1]);
    }
    if (!rc) rc = begin_at(z, FRAMES / 2, why);
    return rc ? rc : axis_session_here(z->c->axis, 0, why);
}

/* A whole number of units, rather less, and one at least. */
static int64_t in_units(int64_t nm, int64_t unit_nm)
{
    return (nm < unit_nm ? 1 : nm / unit_nm) * unit_nm;
}

/* Ways of whole orders of the largest size that fits into the step of a sweep take the fewest. */
static void go_by(struct calibrating *c, int64_t unit_nm)
{
    c->step_nm = in_units(c->step_nm, unit_nm);
    c->take_nm = in_units(c->take_nm, unit_nm);
    c->way_nm = in_units(c->way_nm, unit_nm);
    c->from_nm = -FRAMES / 2 * c->step_nm;
}

static int count_by_them(struct calibrating *c, struct err *why)
{
    const struct calibration_sizes *z = &c->sizes;
    const double large = z->ratio[0] * z->ratio[1];
    struct axis *ax = c->axis->rig->axis;
    int64_t unit_nm = axis_session_nm(c->axis, 1);
    int rc = E_OK;
    if (!z->named) return E_OK;
    for (int i = 0; i < 2 && !rc; i++) {
        const double worth = i ? large : z->ratio[0];
        if (!(worth > 1.5)) continue; /* not measured */
        rc = axis_worth(ax, i + 2, (int32_t)lround(worth), 0, why);
        const int64_t nm = axis_session_nm(c->axis, lround(worth));
        if (nm <= c->step_nm) unit_nm = nm;
    }
    if (!rc && unit_nm > 0) go_by(c, unit_nm);
    return rc;
}

static void choose(struct sizing *z)
{
    const struct calibrating *c = z->c;
    const struct axis_spec *a = &c->axis->job.bench.axis;
    const int32_t named = c->axis->rig->axis->sizes;
    const int64_t count_nm = axis_session_nm(c->axis, 1) > 0 ? axis_session_nm(c->axis, 1) : 1;
    const int32_t step = (int32_t)(c->step_nm / count_nm), little = step / 6 > 1 ? step / 6 : 1;
    int32_t worth[3] = {little, 3 * little, 6 * little}; /* counts */
    if (named) {
        worth[0] = 1;
        worth[1] = a->size_counts[0] ? a->size_counts[0] : WORTH;
        worth[2] = a->size_counts[1] ? a->size_counts[1] : WORTH * worth[1];
    }
    for (int i = 0; i < 3; i++) {
        z->orders[i] = !named ? worth[i] : i < named ? i + 1 : 0;
        if (z->orders[i] && worth[i] <= step) z->scale = i;
    }
    const int32_t unit = worth[z->scale];
    z->apart = step / unit > 1 ? step / unit : 1;
    z->take = (int32_t)(c->take_nm / count_nm / unit) + 1;
    for (int i = 0; i < 3; i++)
        z->times[i] = (int32_t)fmax(1, (double)z->apart * unit * STRETCH / (LOOKS - 1) / worth[i]);
}

int calibrate_sizes(struct calibrating *c, struct err *why)
{
    struct sizing z = {.c = c};
    struct calibration_sizes *out = &c->sizes;
    if (!c->axis->rig->axis->ops->order) return E_OK;
    choose(&z);
    *out = (struct calibration_sizes){
        .named = c->axis->rig->axis->sizes > 0, .ratio = {NAN, NAN}, .uncertainty = {NAN, NAN}};
    for (int i = 0; i < 3; i++)
        out->orders[i] = z.orders[i];
    int rc = z.orders[1] ? measure(&z, why) : E_OK;
    sweep_clear(&z.sweep);
    if (!rc) rc = count_by_them(c, why);
    return rc;
}
