#include "image/cells.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/mem.h"

#define CELL_PX_LEAST 4
#define SIDE_LEAST    16
#define LINEAR_ROWS   500 /* about so many rows go into the histogram for mean_linear */
#define ENDS_BLOCK    64

/* Rows whose squared Laplacians fit into 32 bits: at scale s a Laplacian is at most 1020 * 4^s. */
static const int32_t rows_most[MEASURE_SCALES] = {4096, 256, 16, 1};

/* One size of the picture, and what its columns have gathered since the last flush. */
struct level {
    int32_t width, height;
    int32_t cell_row, rows; /* the row of cells being gathered, and how many rows of pixels it has */
    uint16_t *plane;        /* sums of 4^s pixels; NULL at full size */
    int32_t *sum;
    uint32_t *square;
    int32_t *bound; /* cols + 1: first column of pixels of each column of cells */
};

struct gathered {
    int64_t sum[MEASURE_SCALES];
    uint64_t square[MEASURE_SCALES];
    uint32_t count[MEASURE_SCALES];
    int64_t xx, xy, yy; /* gradient products at half size */
    uint64_t luma;
    uint32_t pixels, clipped;
};

struct cells_space {
    struct level level[MEASURE_SCALES];
    int32_t *xx, *xy, *yy; /* columns at half size */
    uint32_t *luma;        /* columns at full size */
    uint16_t *clipped;
    struct gathered *cells;
    double *order; /* for medians */
    int32_t cell_px, rows, cols;
    int32_t room_width, room_height; /* what the buffers were made for */
    uint64_t high, low, luma_total;
    uint32_t histogram[4][256];
};

int32_t cells_side_px(int32_t width_px, int32_t height_px)
{
    const int32_t longer = width_px > height_px ? width_px : height_px;
    const int32_t side = (longer + MEASURE_CELLS_MOST - 1) / MEASURE_CELLS_MOST;
    return side > CELL_PX_LEAST ? side : CELL_PX_LEAST;
}

int32_t cells_along(int32_t side_px, int32_t cell_px)
{
    const int32_t whole = side_px / cell_px, rest = side_px % cell_px;
    return whole + (rest * 2 >= cell_px ? 1 : 0);
}

static void free_buffers(struct cells_space *s)
{
    for (int i = 0; i < MEASURE_SCALES; i++) {
        mem_free(s->level[i].plane);
        mem_free(s->level[i].sum);
        mem_free(s->level[i].square);
        mem_free(s->level[i].bound);
    }
    mem_free(s->xx);
    mem_free(s->xy);
    mem_free(s->yy);
    mem_free(s->luma);
    mem_free(s->clipped);
    mem_free(s->cells);
    mem_free(s->order);
    *s = (struct cells_space){0};
}

struct cells_space *cells_space_new(struct err *why)
{
    return mem_new(1, sizeof(struct cells_space), why);
}

void cells_space_free(struct cells_space *s)
{
    if (s) free_buffers(s);
    mem_free(s);
}

static bool make_level(struct level *l, int scale, int32_t width, int32_t height, struct err *why)
{
    const size_t w = (size_t)(width >> scale), h = (size_t)(height >> scale);
    if (scale && !(l->plane = mem_new(w * h, sizeof *l->plane, why))) return false;
    l->sum = mem_new(w, sizeof *l->sum, why);
    l->square = l->sum ? mem_new(w, sizeof *l->square, why) : NULL;
    l->bound = l->square ? mem_new(MEASURE_CELLS_MOST + 2, sizeof *l->bound, why) : NULL;
    return l->bound != NULL;
}

static bool make_columns(struct cells_space *s, int32_t width, struct err *why)
{
    const size_t w = (size_t)width, cells = MEASURE_CELLS_MOST * MEASURE_CELLS_MOST;
    return (s->xx = mem_new(w / 2, sizeof *s->xx, why)) && (s->xy = mem_new(w / 2, sizeof *s->xy, why)) &&
           (s->yy = mem_new(w / 2, sizeof *s->yy, why)) && (s->luma = mem_new(w, sizeof *s->luma, why)) &&
           (s->clipped = mem_new(w, sizeof *s->clipped, why)) &&
           (s->cells = mem_new(cells, sizeof *s->cells, why)) &&
           (s->order = mem_new(cells, sizeof *s->order, why));
}

static int make_buffers(struct cells_space *s, int32_t width, int32_t height, struct err *why)
{
    if (s->room_width == width && s->room_height == height) return E_OK;
    free_buffers(s);
    for (int i = 0; i < MEASURE_SCALES; i++)
        if (!make_level(&s->level[i], i, width, height, why)) goto undo;
    if (!make_columns(s, width, why)) goto undo;
    s->room_width = width;
    s->room_height = height;
    return E_OK;
undo:
    free_buffers(s);
    return E_NOMEM;
}

/* First pixel at this scale whose centre lies at or beyond `edge_px` of the full picture. */
static int32_t first_pixel(int32_t edge_px, int scale)
{
    const int64_t twice = 2 * (int64_t)edge_px - (1 << scale);
    return twice <= 0 ? 0 : (int32_t)((twice + (2 << scale) - 1) / (2 << scale));
}

static void begin(struct cells_space *s, int32_t width, int32_t height)
{
    s->cell_px = cells_side_px(width, height);
    s->rows = cells_along(height, s->cell_px);
    s->cols = cells_along(width, s->cell_px);
    for (int i = 0; i < MEASURE_SCALES; i++) {
        struct level *l = &s->level[i];
        l->width = width >> i;
        l->height = height >> i;
        l->cell_row = l->rows = 0;
        memset(l->sum, 0, (size_t)l->width * sizeof *l->sum);
        memset(l->square, 0, (size_t)l->width * sizeof *l->square);
        for (int32_t c = 0; c <= s->cols; c++) {
            const int32_t x = first_pixel(c * s->cell_px, i);
            l->bound[c] = x < l->width ? x : l->width;
        }
    }
    memset(s->xx, 0, (size_t)(width / 2) * sizeof *s->xx);
    memset(s->xy, 0, (size_t)(width / 2) * sizeof *s->xy);
    memset(s->yy, 0, (size_t)(width / 2) * sizeof *s->yy);
    memset(s->luma, 0, (size_t)width * sizeof *s->luma);
    memset(s->clipped, 0, (size_t)width * sizeof *s->clipped);
    memset(s->cells, 0, (size_t)s->rows * (size_t)s->cols * sizeof *s->cells);
    memset(s->histogram, 0, sizeof s->histogram);
    s->high = s->low = s->luma_total = 0;
}

/* Adds the Laplacians of one row and their squares to the columns; `l_t` holds a Laplacian of that scale. */
#define LAPLACIAN_ROW(name, p_t, l_t)                                                                        \
    static void name(const p_t *restrict above, const p_t *restrict row, const p_t *restrict below,          \
                     int32_t width, int32_t *restrict sum, uint32_t *restrict square)                        \
    {                                                                                                        \
        for (int32_t x = 1; x < width - 1; x++) {                                                            \
            const l_t l = (l_t)(row[x - 1] + row[x + 1] + above[x] + below[x] - 4 * row[x]);                 \
            sum[x] += l;                                                                                     \
            square[x] += (uint32_t)l * (uint32_t)l;                                                          \
        }                                                                                                    \
    }
LAPLACIAN_ROW(laplacian_bytes, uint8_t, int16_t)
LAPLACIAN_ROW(laplacian_sums, uint16_t, int16_t)
LAPLACIAN_ROW(laplacian_wide_sums, uint16_t, int32_t)

static void gradient_row(struct cells_space *s, const uint16_t *restrict above, const uint16_t *restrict row,
                         const uint16_t *restrict below)
{
    int32_t *restrict xx = s->xx, *restrict xy = s->xy, *restrict yy = s->yy;
    const int32_t width = s->level[1].width;
    for (int32_t x = 1; x < width - 1; x++) {
        const int16_t gx = (int16_t)(row[x + 1] - row[x - 1]), gy = (int16_t)(below[x] - above[x]);
        xx[x] += gx * gx;
        xy[x] += gx * gy;
        yy[x] += gy * gy;
    }
}

static int32_t most(int32_t a, int32_t b)
{
    return a > b ? a : b;
}

static int32_t least(int32_t a, int32_t b)
{
    return a < b ? a : b;
}

static void flush_gradients(struct cells_space *s, struct gathered *cell, int32_t from, int32_t to)
{
    for (int32_t x = from; x < to; x++) {
        cell->xx += s->xx[x];
        cell->xy += s->xy[x];
        cell->yy += s->yy[x];
    }
}

/* Moves what the columns have gathered into the cells. */
static void flush(struct cells_space *s, int scale)
{
    struct level *l = &s->level[scale];
    if (l->rows && l->cell_row < s->rows)
        for (int32_t c = 0; c < s->cols; c++) {
            struct gathered *cell = &s->cells[l->cell_row * s->cols + c];
            const int32_t from = most(l->bound[c], 1), to = least(l->bound[c + 1], l->width - 1);
            for (int32_t x = from; x < to; x++) {
                cell->sum[scale] += l->sum[x];
                cell->square[scale] += l->square[x];
            }
            if (to > from) cell->count[scale] += (uint32_t)((to - from) * l->rows);
            if (scale == 1) flush_gradients(s, cell, from, to);
        }
    memset(l->sum, 0, (size_t)l->width * sizeof *l->sum);
    memset(l->square, 0, (size_t)l->width * sizeof *l->square);
    if (scale == 1) {
        memset(s->xx, 0, (size_t)l->width * sizeof *s->xx);
        memset(s->xy, 0, (size_t)l->width * sizeof *s->xy);
        memset(s->yy, 0, (size_t)l->width * sizeof *s->yy);
    }
    l->rows = 0;
}

/* Goes to the row of cells that holds row y of the scale. */
static void enter_row(struct cells_space *s, int scale, int32_t y)
{
    struct level *l = &s->level[scale];
    const int32_t cell_row = (int32_t)(((2 * (int64_t)y + 1) << scale) / (2 * s->cell_px));
    if (cell_row != l->cell_row || l->rows == rows_most[scale]) flush(s, scale);
    l->cell_row = cell_row;
    l->rows++;
}

static void halve_bytes(const uint8_t *restrict a, const uint8_t *restrict b, uint16_t *restrict out,
                        int32_t width)
{
    for (int32_t x = 0; x < width; x++)
        out[x] = (uint16_t)(a[2 * x] + a[2 * x + 1] + b[2 * x] + b[2 * x + 1]);
}

static void halve_sums(const uint16_t *restrict a, const uint16_t *restrict b, uint16_t *restrict out,
                       int32_t width)
{
    for (int32_t x = 0; x < width; x++)
        out[x] = (uint16_t)(a[2 * x] + a[2 * x + 1] + b[2 * x] + b[2 * x + 1]);
}

/* Row y of a reduced picture is complete: measures the row before it, and passes pairs of rows on. */
static void add_row(struct cells_space *s, int scale, int32_t y)
{
    for (; scale < MEASURE_SCALES; scale++, y /= 2) {
        struct level *l = &s->level[scale];
        const uint16_t *row = l->plane + (size_t)y * (size_t)l->width;
        if (y >= 2) {
            enter_row(s, scale, y - 1);
            const uint16_t *middle = row - l->width, *above = middle - l->width;
            (scale < 3 ? laplacian_sums : laplacian_wide_sums)(above, middle, row, l->width, l->sum,
                                                               l->square);
            if (scale == 1) gradient_row(s, above, middle, row);
        }
        if (!(y & 1) || scale + 1 == MEASURE_SCALES) return;
        struct level *next = &s->level[scale + 1];
        if (y / 2 >= next->height) return;
        halve_sums(row - l->width, row, next->plane + (size_t)(y / 2) * (size_t)next->width, next->width);
    }
}

static void add_luma(uint32_t *restrict sum, const uint8_t *restrict luma, int32_t width)
{
    for (int32_t x = 0; x < width; x++)
        sum[x] += luma[x];
}

static void count_ends(struct cells_space *s, const uint8_t *ends, int32_t from, int32_t to)
{
    for (int32_t x = from; x < to; x++) {
        s->clipped[x] = (uint16_t)(s->clipped[x] + (ends[x] != 0));
        s->high += ends[x] & IMAGE_END_HIGH;
        s->low += (ends[x] & IMAGE_END_LOW) / IMAGE_END_LOW;
    }
}

/* Most of a picture is not clipped: eight pixels at once tell. */
static void count_row(struct cells_space *s, const uint8_t *luma, const uint8_t *ends, int32_t width)
{
    add_luma(s->luma, luma, width);
    int32_t x = 0;
    for (; x + ENDS_BLOCK <= width; x += ENDS_BLOCK) {
        uint64_t eight[ENDS_BLOCK / 8], any = 0;
        memcpy(eight, ends + x, sizeof eight);
        for (int i = 0; i < ENDS_BLOCK / 8; i++)
            any |= eight[i];
        if (any) count_ends(s, ends, x, x + ENDS_BLOCK);
    }
    count_ends(s, ends, x, width);
}

/* The row of cells whose last row of pixels was counted. */
static void flush_counts(struct cells_space *s, int32_t cell_row, int32_t rows, int32_t width)
{
    const int32_t *bound = s->level[0].bound;
    if (cell_row < s->rows)
        for (int32_t c = 0; c < s->cols; c++) {
            struct gathered *cell = &s->cells[cell_row * s->cols + c];
            for (int32_t x = bound[c]; x < bound[c + 1]; x++) {
                cell->luma += s->luma[x];
                cell->clipped += s->clipped[x];
            }
            cell->pixels += (uint32_t)((bound[c + 1] - bound[c]) * rows);
        }
    for (int32_t x = 0; x < width; x++)
        s->luma_total += s->luma[x];
    memset(s->luma, 0, (size_t)width * sizeof *s->luma);
    memset(s->clipped, 0, (size_t)width * sizeof *s->clipped);
}

static void gather(struct cells_space *s, const struct image *picture)
{
    const int32_t width = picture->width_px, height = picture->height_px;
    const int32_t every = height > LINEAR_ROWS ? height / LINEAR_ROWS : 1;
    int32_t counted = 0;
    for (int32_t y = 0; y < height; y++) {
        const uint8_t *row = picture->luma + (size_t)y * (size_t)width;
        if (y >= 2) {
            enter_row(s, 0, y - 1);
            laplacian_bytes(row - 2 * (size_t)width, row - width, row, width, s->level[0].sum,
                            s->level[0].square);
        }
        count_row(s, row, picture->ends + (size_t)y * (size_t)width, width);
        counted++;
        if ((y + 1) % s->cell_px == 0 || y + 1 == height) {
            flush_counts(s, y / s->cell_px, counted, width);
            counted = 0;
        }
        if (y % every == 0)
            for (int32_t x = 0; x < width; x++)
                s->histogram[x & 3][row[x]]++;
        if (y & 1 && y / 2 < s->level[1].height) {
            uint16_t *half = s->level[1].plane + (size_t)(y / 2) * (size_t)s->level[1].width;
            halve_bytes(row - width, row, half, s->level[1].width);
            add_row(s, 1, y / 2);
        }
    }
    for (int i = 0; i < MEASURE_SCALES; i++)
        flush(s, i);
}

static void finish_cell(const struct gathered *from, struct measure_cell *to)
{
    double unit = 1; /* of the sums at this scale, in code values */
    for (int i = 0; i < MEASURE_SCALES; i++, unit /= 4) {
        to->laplacian_sum[i] = (float)((double)from->sum[i] * unit);
        to->laplacian_square[i] = (float)((double)from->square[i] * unit * unit);
        to->count[i] = from->count[i];
    }
    /* Central differences span two pixels, of sums of four. */
    const double square = 1.0 / (8 * 8);
    for (int k = 0; k < MEASURE_DIRECTIONS; k++) {
        const double angle = M_PI * k / MEASURE_DIRECTIONS, c = cos(angle), d = sin(angle);
        const double energy =
            c * c * (double)from->xx + 2 * c * d * (double)from->xy + d * d * (double)from->yy;
        to->direction[k] = (float)(energy > 0 ? energy * square : 0);
    }
    to->mean = from->pixels ? (float)((double)from->luma / from->pixels) : 0;
    to->clipped = from->pixels ? (float)((double)from->clipped / from->pixels) : 0;
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

static int compare(const void *a, const void *b)
{
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* The flattest tenth of the cells that are not clipped, their median. Cells that are exactly flat (a
 * drawn picture) count as they are: no noise. */
static float noise_of(struct cells_space *s, const struct frame_measure *m)
{
    size_t n = 0;
    for (int32_t i = 0; i < m->rows * m->cols; i++)
        if (m->cells[i].clipped < 0.01f && m->cells[i].count[0])
            s->order[n++] = cell_variance(&m->cells[i], 0);
    if (!n) return 0;
    qsort(s->order, n, sizeof *s->order, compare);
    return (float)sqrt(s->order[n / 20]);
}

/* IEC 61966-2-1 */
static double linear(double v)
{
    return v <= 0.04045 ? v / 12.92 : pow((v + 0.055) / 1.055, 2.4);
}

static void finish_means(const struct cells_space *s, const struct image *picture, struct frame_measure *m)
{
    const double pixels = (double)picture->width_px * picture->height_px;
    double light = 0, sampled = 0;
    for (int v = 0; v < 256; v++) {
        double n = 0;
        for (int k = 0; k < 4; k++)
            n += s->histogram[k][v];
        light += n * linear(v / 255.0);
        sampled += n;
    }
    m->mean = (float)((double)s->luma_total / pixels);
    m->mean_linear = (float)(light / sampled);
    m->clipped_high = (float)((double)s->high / pixels);
    m->clipped_low = (float)((double)s->low / pixels);
}

/* Means over whole pixels of the smallest plane that is still larger than the thumbnail. */
static void fill_thumb(const struct cells_space *s, const struct image *picture, struct frame_measure *m)
{
    const int32_t longer = most(picture->width_px, picture->height_px);
    int scale = 0;
    while (scale + 1 < MEASURE_SCALES && longer >> (scale + 1) >= MEASURE_THUMB_MOST)
        scale++;
    const struct level *l = &s->level[scale];
    for (int32_t y = 0; y < m->thumb_h; y++) {
        const int32_t y0 = y * l->height / m->thumb_h, y1 = (y + 1) * l->height / m->thumb_h;
        for (int32_t x = 0; x < m->thumb_w; x++) {
            const int32_t x0 = x * l->width / m->thumb_w, x1 = (x + 1) * l->width / m->thumb_w;
            uint64_t sum = 0;
            for (int32_t v = y0; v < y1; v++)
                for (int32_t u = x0; u < x1; u++) {
                    const size_t at = (size_t)v * (size_t)l->width + (size_t)u;
                    sum += scale ? l->plane[at] : picture->luma[at];
                }
            const uint64_t n = (uint64_t)((y1 - y0) * (x1 - x0)) << (2 * scale);
            m->thumb[y * m->thumb_w + x] = (uint8_t)((sum + n / 2) / n);
        }
    }
}

static void thumb_size(int32_t width, int32_t height, int32_t *w, int32_t *h)
{
    const int64_t longer = most(width, height),
                  side = longer < MEASURE_THUMB_MOST ? longer : MEASURE_THUMB_MOST;
    *w = most((int32_t)(width * side / longer), 1);
    *h = most((int32_t)(height * side / longer), 1);
}

const uint16_t *cells_plane(const struct cells_space *s, int scale)
{
    return s->level[scale].plane;
}

int cells_measure(struct cells_space *s, const char *name, const struct image *picture,
                  struct frame_measure *out, struct err *why)
{
    const int32_t width = picture->width_px, height = picture->height_px;
    if (width < SIDE_LEAST || height < SIDE_LEAST)
        return fail(why, E_INPUT,
                    "%s: %d x %d pixels are too few to measure; give pictures of at least %d x %d", name,
                    (int)width, (int)height, SIDE_LEAST, SIDE_LEAST);
    int rc = make_buffers(s, width, height, why);
    if (rc) return rc;
    begin(s, width, height);
    struct frame_measure m = {
        .width_px = width, .height_px = height, .cell_px = s->cell_px, .rows = s->rows, .cols = s->cols};
    m.shift = (struct frame_shift){.trust = SHIFT_NONE, .scale = 1};
    thumb_size(width, height, &m.thumb_w, &m.thumb_h);
    m.cells = mem_new((size_t)m.rows * (size_t)m.cols, sizeof *m.cells, why);
    m.thumb = m.cells ? mem_new((size_t)m.thumb_w * (size_t)m.thumb_h, 1, why) : NULL;
    if (!m.thumb) {
        mem_free(m.cells);
        return E_NOMEM;
    }
    gather(s, picture);
    for (int32_t i = 0; i < m.rows * m.cols; i++)
        finish_cell(&s->cells[i], &m.cells[i]);
    finish_means(s, picture, &m);
    m.noise = noise_of(s, &m);
    fill_thumb(s, picture, &m);
    *out = m;
    return E_OK;
}
