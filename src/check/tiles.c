#include "check/tiles.h"

#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "check/robust.h"
#include "image/measure_io.h"

#define SEEN_SHARE 0.6 /* of a tile's area inside the cell grid; below it the tile has left the picture */

/* ---- grid and places ---- */

static int32_t cells_a_tile(int32_t cell_px)
{
    const int32_t k = (int32_t)lround((double)CHECK_TILE_PX / cell_px);
    return k < 1 ? 1 : k;
}

/* Trusted shifts only; a frame without one goes on as the plan, or the frame before it, says. Without a plan
 * a weak one is better than none. */
static bool shift_counts(const struct check_input *in, const struct frame_shift *s)
{
    const bool trusted = s->trust == SHIFT_GOOD || (s->trust == SHIFT_WEAK && !in->planned_scale);
    return trusted && s->scale > 0.8F && s->scale < 1.25F;
}

/* The measured change of scale from one frame to the next scatters by about 1e-4, the plan's is smooth but
 * may be off: so the plan, corrected by the median of what was measured around. */
static double scale_correction(const struct check_input *in, int32_t frame)
{
    enum { AROUND = 7 };
    double off[2 * AROUND + 1];
    int32_t n = 0;
    for (int32_t i = frame - AROUND; i <= frame + AROUND; i++) {
        if (i < 1 || i >= in->frames || !shift_counts(in, &in->measures[i]->shift)) continue;
        const double planned = in->planned_scale ? log(in->planned_scale[i] / in->planned_scale[i - 1]) : 0.0;
        off[n++] = log((double)in->measures[i]->shift.scale) - planned;
    }
    return n >= 3 ? robust_median(off, n) : 0.0;
}

static void follow_places(const struct check_input *in, struct tiles *t)
{
    t->place[0] = (struct frame_place){.scale = 1};
    for (int32_t i = 1; i < t->frames; i++) {
        const struct frame_place *before = &t->place[i - 1];
        const struct frame_shift *s = &in->measures[i]->shift;
        const double planned = in->planned_scale ? log(in->planned_scale[i] / in->planned_scale[i - 1]) : 0.0;
        const double ratio = exp(planned + scale_correction(in, i));
        struct frame_place *now = &t->place[i];
        now->scale = before->scale * ratio;
        now->dx_px = before->dx_px * ratio + (shift_counts(in, s) ? (double)s->dx_px : 0.0);
        now->dy_px = before->dy_px * ratio + (shift_counts(in, s) ? (double)s->dy_px : 0.0);
    }
}

void tiles_corner(const struct tiles *t, int32_t tile, double *x_px, double *y_px)
{
    *x_px = (double)(tile % t->cols) * t->tile_px;
    const int32_t row = tile / t->cols;
    *y_px = (double)row * t->tile_px;
}

void tiles_follow(const struct tiles *t, int32_t frame, double x_px, double y_px, double *x_out,
                  double *y_out)
{
    const struct frame_place *p = &t->place[frame];
    *x_out = t->width_px / 2.0 + p->scale * (x_px - t->width_px / 2.0) + p->dx_px;
    *y_out = t->height_px / 2.0 + p->scale * (y_px - t->height_px / 2.0) + p->dy_px;
}

/* ---- cells of a tile in one frame ---- */

struct sums {
    double area; /* in cells */
    double first[MEASURE_SCALES], square[MEASURE_SCALES], count[MEASURE_SCALES];
    double direction[MEASURE_DIRECTIONS], mean, clipped;
};

static void add_cell(struct sums *s, const struct measure_cell *c, double share)
{
    s->area += share;
    for (int k = 0; k < MEASURE_SCALES; k++) {
        s->first[k] += share * (double)c->laplacian_sum[k];
        s->square[k] += share * (double)c->laplacian_square[k];
        s->count[k] += share * c->count[k];
    }
    for (int d = 0; d < MEASURE_DIRECTIONS; d++)
        s->direction[d] += share * (double)c->direction[d];
    s->mean += share * (double)c->mean;
    s->clipped += share * (double)c->clipped;
}

static double overlap(double lo, double hi, int32_t cell)
{
    const double a = lo > cell ? lo : cell, b = hi < cell + 1 ? hi : cell + 1;
    return b > a ? b - a : 0.0;
}

static int32_t clamp_index(double v, int32_t most)
{
    return v < 0 ? 0 : v > most ? most : (int32_t)v;
}

/* x0..x1, y0..y1 in cells. */
static struct sums sum_cells(const struct frame_measure *m, double x0, double y0, double x1, double y1)
{
    struct sums s = {0};
    const int32_t c0 = clamp_index(floor(x0), m->cols), c1 = clamp_index(ceil(x1), m->cols);
    const int32_t r0 = clamp_index(floor(y0), m->rows), r1 = clamp_index(ceil(y1), m->rows);
    for (int32_t r = r0; r < r1; r++)
        for (int32_t c = c0; c < c1; c++) {
            const double share = overlap(x0, x1, c) * overlap(y0, y1, r);
            if (share > 0) add_cell(&s, &m->cells[r * m->cols + c], share);
        }
    return s;
}

/* Of twice the angle of each direction. */
#define HALF 0.70710678118654752440
static const double cosine[] = {1, HALF, 0, -HALF, -1, -HALF, 0, HALF},
                    sine[] = {0, HALF, 1, HALF, 0, -HALF, -1, -HALF};
_Static_assert(sizeof cosine / sizeof *cosine == MEASURE_DIRECTIONS, "one for each direction");

static void keep_directions(float to[TILE_TENSOR], const struct sums *s, bool seen)
{
    double m = 0, along = 0, across = 0;
    for (int d = 0; d < MEASURE_DIRECTIONS; d++) {
        m += s->direction[d];
        along += s->direction[d] * cosine[d];
        across += s->direction[d] * sine[d];
    }
    const double unit = 1 / (s->area * MEASURE_DIRECTIONS);
    to[0] = seen ? (float)(m * unit) : NAN;
    to[1] = seen ? (float)(2 * along * unit) : NAN;
    to[2] = seen ? (float)(2 * across * unit) : NAN;
}

bool tiles_by_direction(const float e[TILE_TENSOR], double out[MEASURE_DIRECTIONS])
{
    for (int d = 0; d < MEASURE_DIRECTIONS; d++)
        out[d] = (double)e[0] + (double)e[1] * cosine[d] + (double)e[2] * sine[d];
    return !isnan(e[0]);
}

bool tiles_directions(const struct tiles *t, int32_t tile, int32_t frame, double out[MEASURE_DIRECTIONS])
{
    const size_t at = (size_t)tile * (size_t)t->frames + (size_t)frame;
    return tiles_by_direction(t->direction + at * TILE_TENSOR, out);
}

/* Variance of the Laplacian. */
static double energy_of(const struct sums *s, int scale)
{
    const double mean = s->count[scale] > 0 ? s->first[scale] / s->count[scale] : 0.0;
    const double energy = s->count[scale] > 0 ? s->square[scale] / s->count[scale] - mean * mean : 0.0;
    return fmax(energy, 0.0);
}

static void keep_sums(struct tiles *t, int32_t tile, int32_t frame, const struct sums *s, bool seen)
{
    const size_t at = (size_t)tile * (size_t)t->frames + (size_t)frame;
    for (int k = 0; k < MEASURE_SCALES; k++) {
        t->energy[k][at] = seen && s->count[k] > 0 ? (float)energy_of(s, k) : NAN;
        if (frame == 0) t->pixels[k][tile] = (float)s->count[k];
    }
    keep_directions(t->direction + at * TILE_TENSOR, s, seen);
    t->mean[at] = seen ? (float)(s->mean / s->area) : NAN;
    t->clipped[at] = seen ? (float)(s->clipped / s->area) : NAN;
}

static struct sums sum_tile(const struct tiles *t, const struct frame_measure *m, int32_t frame, int32_t tile,
                            bool *seen)
{
    const double cell = t->cell_px;
    double x, y, x0, y0, x1, y1;
    tiles_corner(t, tile, &x, &y);
    tiles_follow(t, frame, x, y, &x0, &y0);
    tiles_follow(t, frame, x + t->tile_px, y + t->tile_px, &x1, &y1);
    const struct sums s = sum_cells(m, x0 / cell, y0 / cell, x1 / cell, y1 / cell);
    *seen = s.area >= SEEN_SHARE * (x1 - x0) * (y1 - y0) / (cell * cell);
    return s;
}

static void sample_frame(struct tiles *t, const struct frame_measure *m, int32_t frame)
{
    for (int32_t tile = 0; tile < t->count; tile++) {
        bool seen;
        const struct sums s = sum_tile(t, m, frame, tile, &seen);
        keep_sums(t, tile, frame, &s, seen);
    }
}

int tiles_bring(const struct check_input *in, int32_t frame, struct frame_measure *brought,
                const struct frame_measure **out, struct err *why)
{
    const struct frame_measure *m = in->measures[frame];
    *brought = (struct frame_measure){0};
    if (!m->cells && !in->source.bring)
        return fail(why, E_INPUT, "frame %d has no cells; measure it again", (int)frame + 1);
    int rc = m->cells ? E_OK : in->source.bring(in->source.arg, frame, brought, why);
    if (!rc) *out = m->cells ? m : brought;
    return rc;
}

static int sample_brought(struct tiles *t, const struct check_input *in, int32_t frame, struct err *why)
{
    const struct frame_measure *m;
    struct frame_measure brought;
    int rc = tiles_bring(in, frame, &brought, &m, why);
    if (rc) return rc;
    sample_frame(t, m, frame);
    frame_measure_clear(&brought);
    return E_OK;
}

/* ---- the region ---- */

/* As few frames as a peak needs. One that leaves while it is still getting sharper is put outside later. */
#define SEEN_FRAMES 3

static bool seen_enough(const struct tiles *t, int32_t tile)
{
    int32_t seen = 0;
    for (int32_t i = 0; i < t->frames; i++)
        seen += !isnan(t->mean[(size_t)tile * (size_t)t->frames + (size_t)i]);
    return seen >= SEEN_FRAMES || seen == t->frames;
}

static void mark_inside(struct tiles *t, const struct region_px *region)
{
    for (int32_t tile = 0; tile < t->count; tile++) {
        double x, y;
        tiles_corner(t, tile, &x, &y);
        x += t->tile_px / 2.0;
        y += t->tile_px / 2.0;
        const bool in = region->w == 0 || (x >= region->x && x < region->x + region->w && y >= region->y &&
                                           y < region->y + region->h);
        t->inside[tile] = in && seen_enough(t, tile);
    }
}

/* ---- light, floor and jitter ---- */

/* Luma back to linear light by the sRGB curve (IEC 61966-2-1, from memory). */
static double linear(double luma)
{
    const double v = luma / 255.0;
    return v <= 0.04045 ? v / 12.92 : pow((v + 0.055) / 1.055, 2.4);
}

#define LIGHT_CLIPPED_MOST 0.02F /* a tile with more of it clipped tells nothing about light */
#define LIGHT_LUMA_LEAST   8.0F  /* nor does one near black, where the tone curve is steep */

/* ln of the light of a frame relative to the one before it: the middle of what the tiles say. Between
 * neighbours neither focus nor place changes a tile's mean much. */
static double light_step(const struct tiles *t, int32_t frame, double *room)
{
    int32_t n = 0;
    for (int32_t tile = 0; tile < t->count; tile++) {
        if (!t->inside[tile]) continue;
        const size_t at = (size_t)tile * (size_t)t->frames + (size_t)frame, from = at - 1;
        if (isnan(t->mean[at]) || isnan(t->mean[from])) continue;
        if (t->mean[from] < LIGHT_LUMA_LEAST || t->mean[at] <= 0) continue;
        if (t->clipped[at] > LIGHT_CLIPPED_MOST || t->clipped[from] > LIGHT_CLIPPED_MOST) continue;
        room[n++] = log(linear((double)t->mean[at]) / linear((double)t->mean[from]));
    }
    return n >= 4 ? robust_median(room, n) : 0.0;
}

/* Energy goes with the square of the contrast in code values. Over the middle tones a code value goes about
 * as the 1/2.2th power of the light. */
#define CODE_POWER (1 / 2.2)

static void even_light(struct tiles *t, double *room)
{
    for (int32_t i = 0; i < t->frames; i++) {
        t->light[i] = i == 0 ? 0.0 : t->light[i - 1] + light_step(t, i, room);
        const float gain = (float)exp(-2 * CODE_POWER * t->light[i]);
        for (int k = 0; k < MEASURE_SCALES; k++)
            for (int32_t tile = 0; tile < t->count; tile++)
                t->energy[k][(size_t)tile * (size_t)t->frames + (size_t)i] *= gain;
    }
}

/* From one frame to the next a curve's trend cancels in the second difference but for its bend. The quieter
 * quarter of the frames lies away from the peak, where it hardly bends; a quarter of a Gaussian's absolute
 * values lie below 0.3186 sigma, and white noise of sigma has sqrt(6) sigma in a second difference. */
static double jitter_of(const float *e, int32_t n, double *room)
{
    int32_t m = 0;
    for (int32_t i = 1; i + 1 < n; i++) {
        const double bend = fabs((double)e[i - 1] - 2 * (double)e[i] + (double)e[i + 1]);
        if (!isnan(bend)) room[m++] = bend;
    }
    return m >= 3 ? robust_rank(room, m, 0.25) / 0.3186 / sqrt(6.0) : 0.0;
}

/* Below this share of a tile's energy nothing is told apart: the moving cell borders alone change it. */
#define JITTER_LEAST 1e-3
/* Spread of a sum of squares of n values is sqrt(2 / n) of it when they are independent; a Laplacian's
 * neighbours are not: 1.5 times that (derived: the correlation of white noise through the 5-point stencil).
 */
#define SQUARES_SPREAD (1.5 * 1.41421356)
/* The noise of a frame is told where the picture is flattest, thus mostly where it is dark; a tile's own may
 * be up to this many times as much in energy. A guess: shot noise from 1/8 of full light to full light in
 * code values. */
#define FLOOR_MOST 3.0

static double frame_noise(const struct check_input *in, double *room)
{
    for (int32_t i = 0; i < in->frames; i++)
        room[i] = (double)in->measures[i]->noise;
    return robust_median(room, in->frames);
}

static void find_floor(struct tiles *t, int32_t tile, double noise, double *room)
{
    for (int k = 0; k < MEASURE_SCALES; k++) {
        const float *e = &t->energy[k][(size_t)tile * (size_t)t->frames];
        double least = INFINITY, most = 0;
        for (int32_t i = 0; i < t->frames; i++) {
            if (isnan(e[i])) continue;
            least = fmin(least, (double)e[i]);
            most = fmax(most, (double)e[i]);
        }
        if (!isfinite(least)) least = 0;
        /* Averaging 2 x 2 pixels halves the sigma of white noise, thus a quarter of the energy a scale. */
        const double white = noise * noise / pow(4.0, k);
        const double floor = fmin(least, FLOOR_MOST * white);
        const double spread = white * SQUARES_SPREAD / sqrt(fmax(1.0, (double)t->pixels[k][tile]));
        t->floor[k][tile] = (float)floor;
        t->jitter[k][tile] =
            (float)fmax(fmax(jitter_of(e, t->frames, room), spread), JITTER_LEAST * most + 1e-9);
    }
}

double tiles_signal(const struct tiles *t, int scale, int32_t tile, int32_t frame)
{
    const double e = (double)t->energy[scale][(size_t)tile * (size_t)t->frames + (size_t)frame];
    if (isnan(e)) return NAN;
    return fmax(e - (double)t->floor[scale][tile], (double)t->jitter[scale][tile]);
}

/* ---- a picture that is none of the frames ---- */

void tiles_sample(const struct tiles *t, const struct frame_measure *m, int32_t frame, int32_t tile,
                  struct tile_sample *out)
{
    bool seen;
    const struct sums s = sum_tile(t, m, frame, tile, &seen);
    for (int k = 0; k < MEASURE_SCALES; k++)
        out->energy[k] = energy_of(&s, k);
    keep_directions(out->direction, &s, seen);
    out->mean = seen ? s.mean / s.area : NAN;
    out->seen = seen && s.clipped / s.area <= (double)LIGHT_CLIPPED_MOST;
}

double tiles_light(double luma)
{
    return log(linear(luma));
}

double tiles_sample_signal(const struct tiles *t, const struct tile_sample *s, int scale, int32_t tile,
                           double light)
{
    const double e = s->energy[scale] * exp(-2 * CODE_POWER * light);
    return fmax(e - (double)t->floor[scale][tile], (double)t->jitter[scale][tile]);
}

#define LIGHT_UNLIKE 0.7 /* ln: a stop */

bool tiles_light_unlike(const struct tiles *t, int32_t i)
{
    return i >= 0 && i + 1 < t->frames && fabs(t->light[i + 1] - t->light[i]) > LIGHT_UNLIKE;
}

#define GLINT_LEAST  0.005F /* of a tile's pixels; a lamp's image in focus fills no more of it */
#define GLINT_FRAMES 1      /* each side */

bool tiles_glint(const struct tiles *t, int32_t tile, int32_t frame)
{
    for (int32_t i = frame - GLINT_FRAMES; i <= frame + GLINT_FRAMES; i++)
        if (i >= 0 && i < t->frames &&
            t->clipped[(size_t)tile * (size_t)t->frames + (size_t)i] >= GLINT_LEAST)
            return true;
    return false;
}

/* ---- making and freeing ---- */

static int make_room(struct tiles *t, struct err *why)
{
    const size_t n = (size_t)t->count, f = (size_t)t->frames;
    bool ok = (t->place = mem_new(f, sizeof *t->place, why)) &&
              (t->light = mem_new(f, sizeof *t->light, why)) &&
              (t->inside = mem_new(n, sizeof *t->inside, why)) &&
              (t->mean = mem_new(n * f, sizeof *t->mean, why)) &&
              (t->clipped = mem_new(n * f, sizeof *t->clipped, why)) &&
              (t->direction = mem_new(n * f * TILE_TENSOR, sizeof *t->direction, why));
    for (int k = 0; ok && k < MEASURE_SCALES; k++)
        ok = (t->energy[k] = mem_new(n * f, sizeof *t->energy[k], why)) &&
             (t->floor[k] = mem_new(n, sizeof *t->floor[k], why)) &&
             (t->jitter[k] = mem_new(n, sizeof *t->jitter[k], why)) &&
             (t->pixels[k] = mem_new(n, sizeof *t->pixels[k], why));
    return ok ? E_OK : E_NOMEM;
}

static void set_sizes(const struct check_input *in, struct tiles *t)
{
    const struct frame_measure *m = in->measures[0];
    const int32_t k = cells_a_tile(m->cell_px);
    *t = (struct tiles){.frames = in->frames,
                        .cell_px = m->cell_px,
                        .tile_px = k * m->cell_px,
                        .width_px = m->width_px,
                        .height_px = m->height_px};
    /* A last row or column that holds at least half of its cells counts, as with cells. */
    t->rows = (2 * m->rows + k) / (2 * k);
    t->cols = (2 * m->cols + k) / (2 * k);
    if (t->rows < 1) t->rows = 1;
    if (t->cols < 1) t->cols = 1;
    t->count = t->rows * t->cols;
}

int tiles_new(const struct check_input *in, struct tiles *t, struct err *why)
{
    set_sizes(in, t);
    int rc = make_room(t, why);
    if (rc) return rc;
    const size_t most = (size_t)(t->count > t->frames ? t->count : t->frames);
    double *room = mem_new(most, sizeof *room, why);
    if (!room) return E_NOMEM;
    follow_places(in, t);
    for (int32_t i = 0; i < t->frames && !rc; i++)
        rc = sample_brought(t, in, i, why);
    if (rc) {
        mem_free(room);
        return rc;
    }
    mark_inside(t, &in->region);
    even_light(t, room);
    const double noise = frame_noise(in, room);
    for (int32_t tile = 0; tile < t->count; tile++)
        find_floor(t, tile, noise, room);
    mem_free(room);
    return E_OK;
}

void tiles_clear(struct tiles *t)
{
    mem_free(t->place);
    mem_free(t->light);
    mem_free(t->inside);
    mem_free(t->mean);
    mem_free(t->clipped);
    mem_free(t->direction);
    for (int k = 0; k < MEASURE_SCALES; k++) {
        mem_free(t->energy[k]);
        mem_free(t->floor[k]);
        mem_free(t->jitter[k]);
        mem_free(t->pixels[k]);
    }
    *t = (struct tiles){0};
}
