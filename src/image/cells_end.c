/* cells_end.c - from the sums of a picture to its measure. */
#include <math.h>
#include <stdlib.h>

#include "base/select.h"
#include "image/cells_part.h"

static void finish_cell(const struct cells_space *s, int32_t row, int32_t col, struct measure_cell *to)
{
    const struct gathered *from = &s->cells[row * s->cols + col];
    const struct row_counts *rows = &s->counts[row];
    double unit = 1; /* of the sums at this scale, in code values */
    for (int i = 0; i < MEASURE_SCALES; i++, unit /= 4) {
        const int32_t *bound = s->level[i].bound + col;
        to->laplacian_sum[i] = (float)((double)from->laplacian[i].sum * unit);
        to->laplacian_square[i] = (float)((double)from->laplacian[i].square * unit * unit);
        to->count[i] = (uint32_t)((bound[1] - bound[0]) * rows->laplacian[i]);
    }
    /* Central differences span two pixels, of sums of four. */
    const double square = 1.0 / (8 * 8);
    const struct gradient_sums *g = &from->gradient;
    for (int k = 0; k < MEASURE_DIRECTIONS; k++) {
        const double angle = M_PI * k / MEASURE_DIRECTIONS, c = cos(angle), d = sin(angle);
        const double energy = c * c * (double)g->xx + 2 * c * d * (double)g->xy + d * d * (double)g->yy;
        to->direction[k] = (float)(energy > 0 ? energy * square : 0);
    }
    to->outlier = (float)(-from->lowest / 4.0);
    to->outlier_x_px = from->lowest_x;
    to->outlier_y_px = from->lowest_y;
    const int32_t right = (col + 1) * s->cell_px,
                  width = (right < s->width ? right : s->width) - col * s->cell_px;
    const double pixels = (double)width * rows->all, looked = (double)width * rows->looked;
    to->mean = pixels > 0 ? (float)((double)from->luma / pixels) : 0;
    to->clipped = looked > 0 ? (float)(from->clipped / looked) : 0;
}

double cell_variance(const struct measure_cell *cell, int scale)
{
    const double n = cell->count[scale];
    if (n < 1) return 0;
    const double mean = (double)cell->laplacian_sum[scale] / n;
    const double variance = (double)cell->laplacian_square[scale] / n - mean * mean;
    return variance > 0 ? variance : 0;
}

double frame_sharpness(const struct frame_measure *m, int scale)
{
    const int32_t n = m->rows * m->cols;
    double sum = 0;
    for (int32_t i = 0; i < n; i++)
        sum += cell_variance(&m->cells[i], scale);
    return n ? sum / n : 0;
}

/* The flattest tenth of the cells that are not clipped, their median. Cells that are exactly flat (a
 * drawn picture) count as they are: no noise. */
static float noise_of(struct cells_space *s, const struct frame_measure *m)
{
    int32_t n = 0;
    for (int32_t i = 0; i < m->rows * m->cols; i++)
        if (m->cells[i].clipped < 0.01f && m->cells[i].count[0])
            s->order[n++] = cell_variance(&m->cells[i], 0);
    if (!n) return 0;
    return (float)sqrt(select_kth(s->order, n, n / 20));
}

/* IEC 61966-2-1 */
static double linear(double v)
{
    return v <= 0.04045 ? v / 12.92 : pow((v + 0.055) / 1.055, 2.4);
}

/* Sum of a level's pixels, each the sum of 4^scale of the picture's. */
static uint64_t sum_plane(const struct level *l, int scale)
{
    const size_t n = (size_t)l->width * (size_t)l->height;
    uint64_t sum = 0;
    for (size_t i = 0; i < n; i++)
        sum += scale ? ((const uint16_t *)l->plane)[i] : ((const uint8_t *)l->plane)[i];
    return sum;
}

static void finish_means(const struct cells_space *s, struct frame_measure *m)
{
    const struct level *whole = &s->level[s->whole_from];
    const double pixels = (double)whole->width * whole->height * (1 << (2 * s->whole_from));
    double light = 0, sampled = 0;
    for (int v = 0; v < 256; v++) {
        double n = 0;
        for (int k = 0; k < 4; k++)
            n += s->histogram[k][v];
        light += n * linear(v / 255.0);
        sampled += n;
    }
    m->mean = (float)((double)sum_plane(whole, s->whole_from) / pixels);
    m->mean_linear = (float)(light / sampled);
    int64_t looked = 0;
    for (int32_t r = 0; r <= s->rows; r++)
        looked += (int64_t)s->counts[r].looked * s->width;
    m->clipped_high = looked ? (float)((double)s->high / (double)looked) : 0;
    m->clipped_low = looked ? (float)((double)s->low / (double)looked) : 0;
}

/* Means over whole pixels of the level. */
static void fill_thumb(const struct cells_space *s, struct frame_measure *m)
{
    const int scale = cells_thumb_scale(s->width, s->height);
    const struct level *l = &s->level[scale];
    for (int32_t y = 0; y < m->thumb_h; y++) {
        const int32_t y0 = y * l->height / m->thumb_h, y1 = (y + 1) * l->height / m->thumb_h;
        for (int32_t x = 0; x < m->thumb_w; x++) {
            const int32_t x0 = x * l->width / m->thumb_w, x1 = (x + 1) * l->width / m->thumb_w;
            uint64_t sum = 0;
            for (int32_t v = y0; v < y1; v++)
                for (int32_t u = x0; u < x1; u++) {
                    const size_t at = (size_t)v * (size_t)l->width + (size_t)u;
                    sum += scale ? ((const uint16_t *)l->plane)[at] : ((const uint8_t *)l->plane)[at];
                }
            const uint64_t n = (uint64_t)((y1 - y0) * (x1 - x0)) << (2 * scale);
            m->thumb[y * m->thumb_w + x] = (uint8_t)((sum + n / 2) / n);
        }
    }
}

void cells_finish(struct cells_space *s, struct frame_measure *m)
{
    for (int32_t r = 0; r < m->rows; r++)
        for (int32_t c = 0; c < m->cols; c++)
            finish_cell(s, r, c, &m->cells[r * m->cols + c]);
    finish_means(s, m);
    m->noise = noise_of(s, m);
    fill_thumb(s, m);
}
