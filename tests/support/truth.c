#include "tests/support/truth.h"

#include <string.h>

#include "base/mem.h"
#include "tests/support/test.h"

static double code_of(const float *rgb)
{
    const double y = 0.2126 * (double)rgb[0] + 0.7152 * (double)rgb[1] + 0.0722 * (double)rgb[2];
    return 255 * (y <= 0.0031308 ? 12.92 * y : 1.055 * pow(y, 1 / 2.4) - 0.055);
}

struct box {
    int32_t x0, y0, x1, y1;
};

static double laplacian_rms(const double *luma, int32_t width, struct box b)
{
    double sum = 0;
    int32_t n = 0;
    for (int32_t y = b.y0 + 1; y < b.y1 - 1; y++)
        for (int32_t x = b.x0 + 1; x < b.x1 - 1; x++) {
            const double *p = luma + (size_t)y * (size_t)width + x;
            const double l = p[-1] + p[1] + p[-width] + p[width] - 4 * p[0];
            sum += l * l;
            n++;
        }
    return n ? sqrt(sum / n) : 0;
}

static int by_value(const void *a, const void *b)
{
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Depths, sorted, that a quarter of the tile lies within half a spacing of. */
static void find_depths(double *depth, int32_t n, int32_t area, double spacing, struct tile_truth *out)
{
    qsort(depth, (size_t)n, sizeof *depth, by_value);
    out->middle_nm = depth[n / 2];
    out->one_depth = depth[n - 1 - n / 20] - depth[n / 20] <= spacing;
    double last = -1e30;
    for (int32_t i = 0; i < n && out->depth_count < TRUTH_DEPTHS; i++) {
        int32_t j = i;
        while (j < n && depth[j] <= depth[i] + spacing)
            j++;
        const double centre = depth[(i + j - 1) / 2];
        if (4 * (j - i) < area || centre < last + spacing / 2) continue;
        out->depth_nm[out->depth_count++] = centre;
        last = centre;
    }
}

static void make_tile(const struct shoot *s, const float *focus, const double *luma, struct box b,
                      double *room, struct tile_truth *out, double *texture)
{
    const int32_t width = s->bench.camera.width_px;
    int32_t n = 0;
    const int32_t area = (b.x1 - b.x0) * (b.y1 - b.y0);
    for (int32_t y = b.y0; y < b.y1; y++)
        for (int32_t x = b.x0; x < b.x1; x++) {
            const double f = (double)focus[(size_t)y * (size_t)width + (size_t)x];
            if (!isnan(f)) room[n++] = f;
        }
    *texture = 0;
    if (2 * n < area) return; /* mostly unknown depth: left out of the truth */
    *texture = laplacian_rms(luma, width, b);
    find_depths(room, n, area, (double)s->spacing_nm, out);
}

/* Is the tile still in the picture when the rail has advanced to focus it? The picture grows as the subject
 * comes nearer: a point in the plane of focus halfway by exp(advance / distance). */
static bool stays(const struct shoot *s, const struct verdict *grid, int32_t k, int64_t at_nm,
                  double focus_nm)
{
    const double scale = exp(fmax(0, focus_nm - (double)at_nm) / (s->view_mm * 1e6));
    const double w = s->bench.camera.width_px / 2.0, h = s->bench.camera.height_px / 2.0, px = grid->tile_px;
    const double x = fabs(k % grid->cols * px + px / 2 - w) + px / 2,
                 y = fabs(k / grid->cols * px + px / 2 - h) + px / 2;
    return x * scale <= w && y * scale <= h;
}

void truth_make(struct shoot *s, const struct verdict *grid, int64_t at_nm, double least_rms,
                struct truth *out)
{
    const int32_t width = s->bench.camera.width_px, height = s->bench.camera.height_px;
    const size_t pixels = (size_t)width * (size_t)height, tiles = (size_t)(grid->rows * grid->cols);
    float *focus = mem_new(pixels, sizeof *focus, NULL), *rgb = mem_new(3 * pixels, sizeof *rgb, NULL);
    double *luma = mem_new(pixels, sizeof *luma, NULL), *room = mem_new(pixels, sizeof *room, NULL);
    double *texture = mem_new(tiles, sizeof *texture, NULL);
    *out = (struct truth){
        .rows = grid->rows, .cols = grid->cols, .tiles = mem_new(tiles, sizeof *out->tiles, NULL)};
    world_truth_focus(s->world, at_nm, 0, focus);
    world_truth_sharp(s->world, at_nm, rgb);
    for (size_t i = 0; i < pixels; i++)
        luma[i] = code_of(rgb + 3 * i);
    for (int32_t k = 0; k < (int32_t)tiles; k++) {
        const int32_t px = grid->tile_px, x = k % grid->cols * px, y = k / grid->cols * px;
        const struct box b = {x, y, x + px < width ? x + px : width, y + px < height ? y + px : height};
        make_tile(s, focus, luma, b, room, &out->tiles[k], &texture[k]);
    }
    for (int32_t k = 0; k < (int32_t)tiles; k++) {
        struct tile_truth *tile = &out->tiles[k];
        tile->textured = texture[k] >= least_rms && tile->depth_count > 0 &&
                         stays(s, grid, k, at_nm, tile->depth_nm[tile->depth_count - 1]);
        out->textured += tile->textured;
    }
    mem_free(focus);
    mem_free(rgb);
    mem_free(luma);
    mem_free(room);
    mem_free(texture);
}

void truth_clear(struct truth *t)
{
    mem_free(t->tiles);
    *t = (struct truth){0};
}

/* ---- is the verdict right? ---- */

static double index_of(const struct shots *s, double at_nm)
{
    if (at_nm <= (double)s->at_nm[0])
        return (at_nm - (double)s->at_nm[0]) / (double)(s->at_nm[1] - s->at_nm[0]);
    for (int32_t i = 0; i + 1 < s->frames; i++)
        if (at_nm <= (double)s->at_nm[i + 1])
            return i + (at_nm - (double)s->at_nm[i]) / (double)(s->at_nm[i + 1] - s->at_nm[i]);
    const int32_t n = s->frames;
    return n - 1 + (at_nm - (double)s->at_nm[n - 1]) / (double)(s->at_nm[n - 1] - s->at_nm[n - 2]);
}

static int32_t nearest_frame(const struct shots *s, double at_nm)
{
    int32_t best = 0;
    for (int32_t i = 1; i < s->frames; i++)
        if (fabs((double)s->at_nm[i] - at_nm) < fabs((double)s->at_nm[best] - at_nm)) best = i;
    return best;
}

double truth_best_frames_handed(const struct truth *t, const struct shots *s, const struct verdict *v)
{
    const int32_t first = v->useful_first - v->margin, last = v->useful_last + v->margin;
    int32_t right = 0;
    for (int32_t k = 0; k < t->rows * t->cols; k++) {
        const struct tile_truth *tile = &t->tiles[k];
        bool handed = false;
        for (int32_t d = 0; d < tile->depth_count; d++) {
            const int32_t best = nearest_frame(s, tile->depth_nm[d]);
            handed = handed || (v->useful_first >= 0 && best >= first && best <= last);
        }
        right += tile->textured && handed;
    }
    return (double)right / t->textured;
}

static bool peak_near(const struct tile_truth *tile, const struct shots *s, const struct tile_verdict *told)
{
    for (int32_t d = 0; d < tile->depth_count; d++)
        if (told->peak_count > 0 && fabs(index_of(s, tile->depth_nm[d]) - (double)told->peak[0]) <= 1)
            return true;
    return false;
}

double truth_peaks_near(const struct truth *t, const struct shots *s, const struct verdict *v)
{
    int32_t right = 0;
    for (int32_t k = 0; k < t->rows * t->cols; k++)
        right += t->tiles[k].textured && peak_near(&t->tiles[k], s, &v->tiles[k]);
    return (double)right / t->textured;
}

double truth_peaks_near_one(const struct truth *t, const struct shots *s, const struct verdict *v,
                            int32_t *tiles)
{
    int32_t right = 0, n = 0;
    for (int32_t k = 0; k < t->rows * t->cols; k++) {
        if (!t->tiles[k].textured || !t->tiles[k].one_depth) continue;
        n++;
        right += peak_near(&t->tiles[k], s, &v->tiles[k]);
    }
    *tiles = n;
    return n ? (double)right / n : 0;
}

void truth_useful(const struct truth *t, const struct shots *s, int32_t *first, int32_t *last)
{
    double near = INFINITY, far = -INFINITY;
    for (int32_t k = 0; k < t->rows * t->cols; k++)
        for (int32_t d = 0; t->tiles[k].textured && d < t->tiles[k].depth_count; d++) {
            near = fmin(near, index_of(s, t->tiles[k].depth_nm[d]));
            far = fmax(far, index_of(s, t->tiles[k].depth_nm[d]));
        }
    *first = near < 0 ? 0 : (int32_t)floor(near);
    *last = far > s->frames - 1 ? s->frames - 1 : (int32_t)ceil(far);
}

int32_t truth_excess(const struct truth *t, const struct shots *s, const struct verdict *v)
{
    int32_t first, last;
    truth_useful(t, s, &first, &last);
    return (first > v->useful_first ? first - v->useful_first : 0) +
           (v->useful_last > last ? v->useful_last - last : 0);
}

double truth_unsharp_after(const struct truth *t, const struct shots *s, double reach_nm)
{
    const double end = (double)s->at_nm[s->frames - 1] + reach_nm;
    int32_t beyond = 0;
    for (int32_t k = 0; k < t->rows * t->cols; k++)
        beyond += t->tiles[k].textured && t->tiles[k].middle_nm > end;
    return (double)beyond / t->textured;
}

double truth_told_unsharp_after(const struct truth *t, const struct verdict *v)
{
    int32_t told = 0;
    for (int32_t k = 0; k < t->rows * t->cols; k++)
        told += t->tiles[k].textured && v->tiles[k].state == TILE_UNSHARP_AFTER;
    return (double)told / t->textured;
}
