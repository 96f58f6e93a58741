#include "check/frames.h"

#include <math.h>

#include "base/mem.h"
#include "check/robust.h"
#include "image/peaks.h"

/* ---- blurred ---- */

/* A shake takes fine detail first. Where a tile's focus lies is therefore told by its coarse energy, and the
 * common shape then says how much fine energy each frame near it should have. Between two neighbouring frames
 * what is missing is told by the same tiles in both; the middle over the tiles, against both neighbours, is
 * the frame's loss. */
#define FOCUS_WITHIN 1.6 /* spacings: further from its peak a tile is too soft to show a shake */
#define TILES_LEAST                                                                                          \
    25 /* that a pair of frames is judged by; with 15, depth edges made a loss of 0.45 on a clean stack */
#define LOSS_SIGNAL 8.0 /* jitters: a tenth of error in the logarithm */
#define COARSE      2

/* Place of the tile's focus by its coarse energy near its peak. */
static bool coarse_peak(const struct tiles *t, int32_t tile, const struct tile_curve *c, double *at)
{
    int32_t i = (int32_t)lround(c->peak[0].at);
    for (int turn = 0; turn < 2; turn++) {
        if (i <= c->first || i >= c->last) return false;
        const double a = tiles_signal(t, COARSE, tile, i - 1), b = tiles_signal(t, COARSE, tile, i),
                     d = tiles_signal(t, COARSE, tile, i + 1);
        double offset, sigma;
        if (peak_gaussian(a, b, d, &offset, &sigma)) {
            *at = i + offset;
            return fabs(*at - c->peak[0].at) <= 1;
        }
        i += d > b ? 1 : -1;
    }
    return false;
}

/* What frame i has more of than the shape says; NAN where it does not tell. */
static double fine_excess(const struct tiles *t, const struct focus_shape *shape, int scale, int32_t tile,
                          int32_t i, double u)
{
    const double e = tiles_signal(t, scale, tile, i);
    if (isnan(e) || fabs(u) > FOCUS_WITHIN || e < LOSS_SIGNAL * (double)t->jitter[scale][tile]) return NAN;
    return log(e) - shape_log(shape, scale, u);
}

bool frames_direction_change(const double before[MEASURE_DIRECTIONS], const double after[MEASURE_DIRECTIONS],
                             double *cos_out, double *sin_out)
{
    double c = 0, s = 0;
    for (int d = 0; d < MEASURE_DIRECTIONS; d++) {
        const double more = log(after[d] / before[d]);
        if (!isfinite(more)) return false;
        const double angle = 2 * M_PI * d / MEASURE_DIRECTIONS; /* twice the direction, of half a turn */
        c += more * cos(angle);
        s += more * sin(angle);
    }
    *cos_out = 2 * c / MEASURE_DIRECTIONS;
    *sin_out = 2 * s / MEASURE_DIRECTIONS;
    return true;
}

/* From frame i to i + 1. */
static bool direction_change(const struct tiles *t, int32_t tile, int32_t i, double *cos_out, double *sin_out)
{
    double before[MEASURE_DIRECTIONS], after[MEASURE_DIRECTIONS];
    if (!tiles_directions(t, tile, i, before) || !tiles_directions(t, tile, i + 1, after)) return false;
    return frames_direction_change(before, after, cos_out, sin_out);
}

/* From frame i to i + 1: medians over the tiles in focus there. */
struct change {
    double fine, cosine, sine;
    int32_t tiles;
};

struct change_room {
    double *full, *half, *cosine, *sine, *peak; /* [tile]; peak NAN where it does not tell */
};

double frames_place(const double *z, double at)
{
    const int32_t i = (int32_t)floor(at);
    return z[i] + (at - i) * (z[i + 1] - z[i]);
}

static struct change pair_change(const struct tiles *t, const struct focus_shape *shape, const double *z,
                                 int32_t i, const struct change_room *r)
{
    struct change out = {.fine = NAN, .cosine = NAN, .sine = NAN};
    int32_t full = 0, half = 0, ways = 0;
    if (z[i + 1] - z[i] > 1.5 || z[i + 1] - z[i] < 0.5) return out; /* a hole, or a frame twice */
    for (int32_t tile = 0; tile < t->count; tile++) {
        if (isnan(r->peak[tile])) continue;
        const double at = frames_place(z, r->peak[tile]), u = z[i] - at, v = z[i + 1] - at;
        if (fabs(u) > FOCUS_WITHIN || fabs(v) > FOCUS_WITHIN) continue;
        const double d0 = fine_excess(t, shape, 0, tile, i + 1, v) - fine_excess(t, shape, 0, tile, i, u);
        const double d1 = fine_excess(t, shape, 1, tile, i + 1, v) - fine_excess(t, shape, 1, tile, i, u);
        if (!isnan(d0)) r->full[full++] = d0;
        if (!isnan(d1)) r->half[half++] = d1;
        if (!isnan(d1) && direction_change(t, tile, i, &r->cosine[ways], &r->sine[ways])) ways++;
    }
    if (half < TILES_LEAST) return out;
    out.tiles = half;
    out.fine = full >= TILES_LEAST ? robust_median(r->full, full) : robust_median(r->half, half);
    if (ways >= TILES_LEAST) {
        out.cosine = robust_median(r->cosine, ways);
        out.sine = robust_median(r->sine, ways);
    }
    return out;
}

void frames_focus(const struct tiles *t, const struct tile_curve *curves, int scale_most, double *peak)
{
    for (int32_t tile = 0; tile < t->count; tile++) {
        const struct tile_curve *c = &curves[tile];
        peak[tile] = NAN;
        if (c->scale < 0 || c->scale > scale_most || c->peak_count != 1 || !t->inside[tile]) continue;
        double at;
        if (coarse_peak(t, tile, c, &at)) peak[tile] = at;
    }
}

int frames_losses(const struct tiles *t, const struct tile_curve *curves, const struct focus_shape *shape,
                  const double *z, struct frame_loss *out, struct err *why)
{
    const size_t n = (size_t)t->count;
    double *room = mem_new(5 * n, sizeof *room, why);
    if (!room) return E_NOMEM;
    const struct change_room r = {room, room + n, room + 2 * n, room + 3 * n, room + 4 * n};
    frames_focus(t, curves, 1, r.peak);
    struct change before = {.fine = NAN, .cosine = NAN, .sine = NAN};
    for (int32_t i = 0; i < t->frames; i++) {
        struct change after = {.fine = NAN, .cosine = NAN, .sine = NAN};
        if (i + 1 < t->frames) after = pair_change(t, shape, z, i, &r);
        out[i] = (struct frame_loss){.fine = (before.fine - after.fine) / 2,
                                     .direction =
                                         hypot(before.cosine - after.cosine, before.sine - after.sine) / 2,
                                     .tiles = before.tiles < after.tiles ? before.tiles : after.tiles};
        before = after;
    }
    mem_free(room);
    return E_OK;
}

/* A shake blurs along one line, and the directions' energies are told far more surely than the loss itself,
 * which depth edges move by a few tenths (measured on clean stacks of open depth data: loss up to 0.4 where
 * 20 to 40 tiles tell, direction up to 0.08). So a loss without a direction has to be large. */
#define LOSS_LEAST 0.06 /* ln of energy, with a direction: 3 % of contrast */
#define LOSS_ALONE 0.6
/* The frames beside a bad one seem better by half of its loss each, being compared with it: a loss of that
 * pattern may be smaller. Depth edges, seen by one pair of frames and not by the next, do not make it. */
#define LOSS_PATTERN 0.25
#define PATTERN_SIGMAS                                                                                       \
    3.0 /* of how the losses scatter; on a plane that leans, whose tiles peak in rows, by 0.14 */
#define PATTERN_SHARE   0.35
#define DIRECTION_LEAST 0.12
#define SIGMAS          6.0 /* over a few hundred frames a Gaussian exceeds this never */

static bool is_worse(const struct frame_loss *loss, int32_t frames, int32_t i, double usual, double than)
{
    return i >= 0 && i < frames && usual - loss[i].fine > than;
}

/* Of the losses, less the frame's own and those beside it, which a bad one makes large. */
static double scatter_of_others(const struct frame_loss *loss, int32_t frames, int32_t i, double *room)
{
    int32_t n = 0;
    for (int32_t j = 0; j < frames; j++)
        if ((j < i - 1 || j > i + 1) && !isnan(loss[j].fine)) room[n++] = loss[j].fine;
    return robust_sigma(room, n);
}

/* Worse and better by turns over five frames is how few tiles scatter, not one bad frame. */
static bool loss_pattern(const struct frame_loss *loss, int32_t frames, int32_t i, double usual, double sigma)
{
    const double less = usual - loss[i].fine, share = PATTERN_SHARE * less;
    if (less < fmax(LOSS_PATTERN, PATTERN_SIGMAS * sigma) || i < 1 || i + 1 >= frames) return false;
    if (is_worse(loss, frames, i - 2, usual, share) && is_worse(loss, frames, i + 2, usual, share))
        return false;
    return loss[i - 1].fine - usual > PATTERN_SHARE * less && loss[i + 1].fine - usual > PATTERN_SHARE * less;
}

/* Beside a bad frame one is better by comparison, or bad itself, or cannot be judged; anything else says that
 * the loss is of the subject: steep depth, seen by few tiles. */
static bool loss_believed(const struct frame_loss *loss, int32_t frames, int32_t i, double usual)
{
    for (int32_t j = i - 1; j <= i + 1; j += 2) {
        if (j < 0 || j >= frames || isnan(loss[j].fine)) continue;
        const double more = loss[j].fine - usual;
        if (more < 0 && more > -LOSS_PATTERN) return false;
    }
    return true;
}

int frames_blurred(const struct frame_loss *loss, int32_t frames, bool *bad, int32_t *judged, struct err *why)
{
    double *room = mem_new(2 * (size_t)frames, sizeof *room, why);
    if (!room) return E_NOMEM;
    int32_t n = 0, m = 0;
    for (int32_t i = 0; i < frames; i++) {
        bad[i] = false;
        if (!isnan(loss[i].fine)) room[n++] = loss[i].fine;
        if (!isnan(loss[i].direction)) room[frames + m++] = loss[i].direction;
    }
    *judged = n;
    const double usual = n ? robust_median(room, n) : 0, sigma = robust_sigma(room, n);
    const double direction_usual = m ? robust_median(room + frames, m) : 0;
    const double alone_most = fmax(LOSS_ALONE, SIGMAS * sigma);
    /* An amplitude of two Gaussian parts has its median at 1.18 sigma (Rayleigh). */
    const double direction_most = fmax(DIRECTION_LEAST, SIGMAS * direction_usual / 1.18);
    for (int32_t i = 0; i < frames; i++) {
        if (isnan(loss[i].fine)) continue;
        const double less = usual - loss[i].fine;
        /* The frames beside a bad one change direction too, but look better by that, not worse. */
        bad[i] = (less > alone_most && loss_believed(loss, frames, i, usual)) ||
                 loss_pattern(loss, frames, i, usual, scatter_of_others(loss, frames, i, room)) ||
                 (loss[i].direction > direction_most && less > LOSS_LEAST);
    }
    mem_free(room);
    return E_OK;
}

/* ---- shifted ---- */

#define SHIFT_LEAST_PX 0.5 /* merging programs take out less without loss: common practice, no source */
#define SHIFT_AROUND   5   /* frames each side that make the trend */

#define SHIFT_WEAK_PX 2.0 /* a weak shift leaves the scale open, and the shift by some tenths with it */

static bool shift_told(const struct frame_shift *s)
{
    return s->trust == SHIFT_GOOD || s->trust == SHIFT_WEAK;
}

/* Shift of frame i against the median of those around it. */
static bool shift_off_trend(const struct check_input *in, int32_t i, double *dx, double *dy)
{
    double x[2 * SHIFT_AROUND], y[2 * SHIFT_AROUND];
    int32_t n = 0;
    if (!shift_told(&in->measures[i]->shift)) return false;
    for (int32_t j = i - SHIFT_AROUND; j <= i + SHIFT_AROUND; j++) {
        if (j < 1 || j >= in->frames || j == i || !shift_told(&in->measures[j]->shift)) continue;
        x[n] = (double)in->measures[j]->shift.dx_px;
        y[n++] = (double)in->measures[j]->shift.dy_px;
    }
    if (n < 3) return false;
    *dx = (double)in->measures[i]->shift.dx_px - robust_median(x, n);
    *dy = (double)in->measures[i]->shift.dy_px - robust_median(y, n);
    return true;
}

static bool is_jump(const struct jump *j)
{
    return j->dx_px != 0 || j->dy_px != 0;
}

/* The frame at which the picture is back where it was before the jump at i; -1 when it stays away. */
static int32_t back_at(const struct jump *jumps, int32_t frames, int32_t i)
{
    const struct jump *a = &jumps[i];
    const int32_t end = i + JUMP_BACK < frames - 1 ? i + JUMP_BACK : frames - 1;
    for (int32_t j = i + 1; j <= end; j++) {
        const struct jump *b = &jumps[j];
        if (is_jump(b) && hypot(a->dx_px + b->dx_px, a->dy_px + b->dy_px) < 0.5 * hypot(a->dx_px, a->dy_px))
            return j;
    }
    return -1;
}

/* The way back after a shifted frame is no jump of its own. */
static void pair_jumps(struct jump *jumps, int32_t frames)
{
    for (int32_t i = 1; i < frames; i++) {
        if (!is_jump(&jumps[i])) continue;
        const int32_t back = back_at(jumps, frames, i);
        jumps[i].away = true;
        jumps[i].stays = back < 0;
        for (int32_t j = i + 1; j < back; j++)
            jumps[j].away = true;
        if (back >= 0) i = back;
    }
}

int frames_shifted(const struct check_input *in, struct jump *jumps, int32_t *judged, struct err *why)
{
    double *size = mem_new((size_t)in->frames, sizeof *size, why);
    if (!size) return E_NOMEM;
    int32_t n = 0;
    *judged = 0;
    for (int32_t i = 0; i < in->frames; i++) {
        double dx, dy;
        jumps[i] = (struct jump){0};
        if (i < 1 || !shift_off_trend(in, i, &dx, &dy)) continue;
        jumps[i] = (struct jump){.dx_px = dx, .dy_px = dy};
        ++*judged;
        if (in->measures[i]->shift.trust == SHIFT_GOOD) size[n++] = hypot(dx, dy);
    }
    const double usual = n ? robust_median(size, n) : 0;
    const double most = fmax(SHIFT_LEAST_PX, SIGMAS * usual / 1.18);
    for (int32_t i = 1; i < in->frames; i++) {
        const double far = hypot(jumps[i].dx_px, jumps[i].dy_px);
        const bool weak = in->measures[i]->shift.trust == SHIFT_WEAK;
        if (far < (weak ? fmax(most, SHIFT_WEAK_PX) : most)) jumps[i] = (struct jump){0};
    }
    pair_jumps(jumps, in->frames);
    mem_free(size);
    return E_OK;
}

/* ---- light ---- */

#define JUMP_LEAST_STOPS                                                                                     \
    0.10 /* 7 % of light: an edge between merged frames shows; common practice, no source */
#define JUMP_AROUND 4

static double level_around(const double *v, int32_t from, int32_t to)
{
    double room[JUMP_AROUND];
    int32_t n = 0;
    for (int32_t i = from; i < to; i++)
        room[n++] = v[i];
    return robust_median(room, n);
}

/* Median step over the neighbours is the slope of one frame. */
static double local_jump(const double *v, int32_t frames, int32_t i)
{
    const int32_t from = i - JUMP_AROUND < 0 ? 0 : i - JUMP_AROUND,
                  to = i + JUMP_AROUND > frames ? frames : i + JUMP_AROUND;
    if (i - from < 2 || to - i < 2) return 0;
    return level_around(v, i, to) - level_around(v, from, i);
}

static int keep_jump(struct light_verdict *out, int32_t frame, struct err *why)
{
    int32_t *rows =
        mem_grow(out->jumps, (size_t)out->jump_count, (size_t)out->jump_count + 1, sizeof *rows, why);
    if (!rows) return E_NOMEM;
    out->jumps = rows;
    rows[out->jump_count++] = frame;
    return E_OK;
}

/* Takes the largest jumps off one by one, so that what is left is slope and scatter. */
static int take_jumps(double *v, int32_t frames, double *room, struct light_verdict *out, struct err *why)
{
    for (int32_t i = 1; i < frames; i++)
        room[i - 1] = fabs(v[i] - v[i - 1]);
    const double scatter = 1.4826 * robust_median(room, frames - 1) / sqrt(2.0);
    for (int32_t round = 0; round < frames; round++) {
        int32_t at = -1;
        double size = fmax(JUMP_LEAST_STOPS, SIGMAS * scatter);
        for (int32_t i = 1; i < frames; i++) {
            const double jump = local_jump(v, frames, i);
            /* A jump is made between two frames; a slope of the same size over several is none. */
            if (fabs(jump) > size && fabs(v[i] - v[i - 1]) > 0.7 * fabs(jump)) {
                size = fabs(jump);
                at = i;
            }
        }
        if (at < 0) return E_OK;
        int rc = keep_jump(out, at, why);
        if (rc) return rc;
        const double jump = v[at] - v[at - 1];
        for (int32_t i = at; i < frames; i++)
            v[i] -= jump;
    }
    return E_OK;
}

static void sort_frames(int32_t *rows, int32_t count)
{
    for (int32_t i = 1; i < count; i++)
        for (int32_t j = i; j > 0 && rows[j - 1] > rows[j]; j--) {
            const int32_t swap = rows[j];
            rows[j] = rows[j - 1];
            rows[j - 1] = swap;
        }
}

/* Slope over the stack by least squares on the levels without jumps and odd frames. */
static double slope_of(const double *v, const bool *odd, int32_t frames)
{
    double n = 0, x = 0, y = 0, xx = 0, xy = 0;
    for (int32_t i = 0; i < frames; i++) {
        if (odd[i]) continue;
        n++;
        x += i;
        y += v[i];
        xx += (double)i * i;
        xy += i * v[i];
    }
    const double det = n * xx - x * x;
    return det > 0 ? (n * xy - x * y) / det : 0;
}

/* Where bright specks stand on black, their code values' mean moves with focus, as if the light did; the mean
 * of linear light does not, but tells of what comes into the picture or leaves it. What both say is the
 * light's. */
static double slope_by_both(const struct check_input *in, double by_tiles, const bool *odd, double *room)
{
    for (int32_t i = 0; i < in->frames; i++) {
        if (!(in->measures[i]->mean_linear > 0)) return by_tiles;
        room[i] = log2((double)in->measures[i]->mean_linear);
    }
    const double whole = slope_of(room, odd, in->frames);
    if (by_tiles * whole <= 0) return 0;
    return fabs(whole) < fabs(by_tiles) ? whole : by_tiles;
}

/* So far from the usual light a frame shows nothing: the lamp was off. */
#define DARK_STOPS 3.0

static void mark_dark(const double *v, int32_t frames, double *room, bool *odd)
{
    for (int32_t i = 0; i < frames; i++)
        room[i] = v[i];
    const double usual = robust_median(room, frames);
    for (int32_t i = 0; i < frames; i++)
        odd[i] = odd[i] || fabs(v[i] - usual) > DARK_STOPS;
}

int frames_light(const struct check_input *in, const struct tiles *t, struct light_verdict *out, bool *odd,
                 struct err *why)
{
    *out = (struct light_verdict){0};
    for (int32_t i = 0; i < t->frames; i++)
        odd[i] = false;
    if (t->frames < 3) return E_OK;
    double *v = mem_new(2 * (size_t)t->frames, sizeof *v, why);
    if (!v) return E_NOMEM;
    double *room = v + t->frames;
    for (int32_t i = 0; i < t->frames; i++)
        v[i] = t->light[i] / log(2.0);
    mark_dark(v, t->frames, room, odd);
    for (int32_t i = 1; i + 1 < t->frames; i++) {
        const double before = v[i] - v[i - 1], after = v[i] - v[i + 1];
        const bool alone = before * after > 0 && fmin(fabs(before), fabs(after)) > 5 * JUMP_LEAST_STOPS;
        odd[i] = odd[i] || alone;
        if (alone) v[i] = (v[i - 1] + v[i + 1]) / 2;
    }
    int rc = take_jumps(v, t->frames, room, out, why);
    if (!rc) {
        sort_frames(out->jumps, out->jump_count);
        const double slope = slope_of(v, odd, t->frames);
        /* A jump is no slope, and the whole frame's has not been taken off. */
        out->slope_stops = (out->jump_count ? slope : slope_by_both(in, slope, odd, room)) * (t->frames - 1);
        /* From frame to frame, so that a bent drift is not taken for scatter; around the slope, since of a
         * regular flicker most steps are alike and their own middle hides it. */
        for (int32_t i = 1; i < t->frames; i++)
            room[i - 1] = fabs(v[i] - v[i - 1] - slope);
        out->scatter_stops = 1.4826 * robust_median(room, t->frames - 1) / sqrt(2.0);
    }
    mem_free(v);
    return rc;
}
