#include "image/cells.h"

#include <string.h>

#include "base/mem.h"
#include "image/cells_part.h"

#define CELL_PX_LEAST 4
#define SIDE_LEAST    16
#define ROWS_KEPT     (CELLS_BAND + 2) /* of a level that nobody needs later: an even number, for the pairs */
#define LINEAR_ROWS   125              /* about so many rows go into the histogram for mean_linear */
#define ENDS_BLOCK    64

static int32_t most(int32_t a, int32_t b)
{
    return a > b ? a : b;
}

static int32_t least(int32_t a, int32_t b)
{
    return a < b ? a : b;
}

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
        mem_free(s->level[i].bound);
    }
    mem_free(s->cells);
    mem_free(s->order);
    mem_free(s->soft);
    mem_free(s->column);
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

static bool make_level(struct cells_space *s, int scale, int32_t width, int32_t height, struct err *why)
{
    struct level *l = &s->level[scale];
    l->width = width >> scale;
    l->height = height >> scale;
    l->kept = scale >= s->whole_from || l->height < ROWS_KEPT ? l->height : ROWS_KEPT;
    const size_t pixels =
        (size_t)l->width * (size_t)l->kept + 2 * CELLS_BLOCK; /* the sums read a little beyond */
    l->plane = mem_new(pixels, scale ? sizeof(uint16_t) : 1, why);
    l->bound = l->plane ? mem_new(MEASURE_CELLS_MOST + 2, sizeof *l->bound, why) : NULL;
    return l->bound != NULL;
}

static bool make_soft(struct cells_space *s, int32_t width, int32_t height, struct err *why)
{
    if (s->view_scale < 1 || s->view_scale >= MEASURE_SCALES) return true;
    const size_t w = (size_t)(width >> s->view_scale), h = (size_t)(height >> s->view_scale);
    s->soft = mem_new(w * h, sizeof *s->soft, why);
    s->column = s->soft ? mem_new((size_t)width + 2, sizeof *s->column, why) : NULL;
    return s->column != NULL;
}

static int make_buffers(struct cells_space *s, int32_t width, int32_t height, int view_scale, struct err *why)
{
    const size_t cells = MEASURE_CELLS_MOST * MEASURE_CELLS_MOST;
    if (s->room_width == width && s->room_height == height && s->room_view_scale == view_scale) return E_OK;
    free_buffers(s);
    s->whole_from = view_scale ? cells_thumb_scale(width, height) : 0;
    s->view_scale = view_scale;
    for (int i = 0; i < MEASURE_SCALES; i++)
        if (!make_level(s, i, width, height, why)) goto undo;
    if (!make_soft(s, width, height, why) || !(s->cells = mem_new(cells, sizeof *s->cells, why)) ||
        !(s->order = mem_new(cells, sizeof *s->order, why)))
        goto undo;
    s->room_width = width;
    s->room_height = height;
    s->room_view_scale = view_scale;
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

/* The thumbnail is made of the smallest level that is not smaller than it. */
int cells_thumb_scale(int32_t width_px, int32_t height_px)
{
    const int32_t longer = width_px > height_px ? width_px : height_px;
    int scale = 0;
    while (scale + 1 < MEASURE_SCALES && longer >> (scale + 1) >= MEASURE_THUMB_MOST)
        scale++;
    return scale;
}

int cells_begin(struct cells_space *s, const char *name, int32_t width, int32_t height, int view_scale,
                struct err *why)
{
    if (width < SIDE_LEAST || height < SIDE_LEAST)
        return fail(why, E_INPUT,
                    "%s: %d x %d pixels are too few to measure; give pictures of at least %d x %d", name,
                    (int)width, (int)height, SIDE_LEAST, SIDE_LEAST);
    int rc = make_buffers(s, width, height, view_scale, why);
    if (rc) return rc;
    s->width = width;
    s->height = height;
    s->cell_px = cells_side_px(width, height);
    s->rows = cells_along(height, s->cell_px);
    s->cols = cells_along(width, s->cell_px);
    for (int i = 0; i < MEASURE_SCALES; i++) {
        s->level[i].next = 1;
        for (int32_t c = 0; c <= s->cols; c++) {
            const int32_t x = first_pixel(c * s->cell_px, i);
            s->level[i].bound[c] = most(least(x, s->level[i].width - 1), 1);
        }
    }
    memset(s->cells, 0, (size_t)s->rows * (size_t)s->cols * sizeof *s->cells);
    memset(s->counts, 0, sizeof s->counts);
    memset(s->histogram, 0, sizeof s->histogram);
    s->high = s->low = 0;
    s->y = 0;
    return E_OK;
}

static uint8_t *byte_row(const struct cells_space *s, int32_t y)
{
    const struct level *l = &s->level[0];
    return (uint8_t *)l->plane + (size_t)(y % l->kept) * (size_t)l->width;
}

static uint16_t *sums_row(const struct level *l, int32_t y)
{
    return (uint16_t *)l->plane + (size_t)(y % l->kept) * (size_t)l->width;
}

/* The row of cells that holds the centres of row y of the scale; there is one more than counts. */
static int32_t cell_row(const struct cells_space *s, int scale, int32_t y)
{
    const int32_t row = (int32_t)(((2 * (int64_t)y + 1) << scale) / (2 * s->cell_px));
    return row < s->rows ? row : s->rows;
}

static struct gathered *cells_of(const struct cells_space *s, int32_t row)
{
    return row < s->rows ? s->cells + (size_t)row * (size_t)s->cols : NULL;
}

static struct cells_line line_of(const struct cells_space *s, int scale, int32_t row, int32_t y)
{
    const int32_t cols = row < s->rows ? s->cols : 0;
    return (struct cells_line){s->level[scale].bound, cols, y, s->cells + row * s->cols};
}

/* Whether the rows that wait for their sums, up to row y, are enough, or have to be taken before the next row
 * of cells or the end. Below row y lies one more. */
static bool is_band(const struct cells_space *s, int scale, int32_t y)
{
    const struct level *l = &s->level[scale];
    return y + 1 - l->next == CELLS_BAND || y + 2 == l->height ||
           cell_row(s, scale, y) != cell_row(s, scale, y + 1);
}

/* The waiting rows of full or half size, up to row y. */
static void sum_band(struct cells_space *s, int scale, int32_t y)
{
    struct level *l = &s->level[scale];
    const int32_t from = l->next, count = y + 1 - from, row = cell_row(s, scale, y);
    const struct cells_line line = line_of(s, scale, row, from);
    const uint8_t *bytes[CELLS_BAND + 2];
    const uint16_t *sums[CELLS_BAND + 2];
    for (int32_t i = 0; i < count + 2; i++)
        if (scale)
            sums[i] = sums_row(l, from - 1 + i);
        else
            bytes[i] = byte_row(s, from - 1 + i);
    if (scale)
        cells_sum_half(sums, count, line);
    else
        cells_sum_full(bytes, count, line);
    s->counts[row].laplacian[scale] += count;
    l->next = y + 1;
}

/* Row y of a reduced picture, which has rows above and below. */
static void sum_small_row(struct cells_space *s, int scale, int32_t y)
{
    if (scale == 1) {
        if (is_band(s, 1, y)) sum_band(s, 1, y);
        return;
    }
    const struct level *l = &s->level[scale];
    const int32_t row = cell_row(s, scale, y);
    s->counts[row].laplacian[scale]++;
    (scale == 2 ? cells_sum_quarter : cells_sum_eighth)(sums_row(l, y - 1), sums_row(l, y),
                                                        sums_row(l, y + 1), line_of(s, scale, row, y));
}

/* Row y of the picture twice as large as the soft one is there, and with it all that a row of that needs: the
 * pair of rows before it, and one more on either side, where there is one. */
static void soften_row(struct cells_space *s, int32_t y)
{
    const struct level *from = &s->level[s->view_scale - 1], *to = &s->level[s->view_scale];
    const int32_t row = (y - 1) / 2;
    if (y < 1 || row >= to->height || ((y & 1) && y + 1 < from->height)) return;
    const int32_t above = most(2 * row - 1, 0), below = least(2 * row + 2, from->height - 1);
    const int32_t at[4] = {above, 2 * row, 2 * row + 1, below};
    uint16_t *out = s->soft + (size_t)row * (size_t)to->width;
    const uint8_t *bytes[4];
    const uint16_t *sums[4];
    for (int i = 0; i < 4; i++) {
        bytes[i] = s->view_scale == 1 ? byte_row(s, at[i]) : NULL;
        sums[i] = s->view_scale == 1 ? NULL : sums_row(from, at[i]);
    }
    if (s->view_scale == 1)
        cells_soften_bytes(bytes, from->width, s->column, out, to->width);
    else
        cells_soften_sums(sums, from->width, s->column, out, to->width, s->view_scale);
}

/* Row y of a reduced picture is complete: measures the row before it, and passes pairs of rows on. */
static void add_small_row(struct cells_space *s, int scale, int32_t y)
{
    for (; scale < MEASURE_SCALES; scale++, y /= 2) {
        const struct level *l = &s->level[scale];
        if (y >= 2) sum_small_row(s, scale, y - 1);
        if (s->soft && scale + 1 == s->view_scale) soften_row(s, y);
        if (!(y & 1) || scale + 1 == MEASURE_SCALES) return;
        const struct level *next = &s->level[scale + 1];
        if (y / 2 >= next->height) return;
        cells_halve_sums(sums_row(l, y - 1), sums_row(l, y), sums_row(next, y / 2), next->width);
    }
}

/* Pixels x0..x1 of row y, which no Laplacian has. */
static void add_border(struct cells_space *s, int32_t y, int32_t x0, int32_t x1)
{
    const uint8_t *row = byte_row(s, y);
    struct gathered *cells = cells_of(s, cell_row(s, 0, y));
    for (int32_t x = x0; x < x1; x++) {
        const int32_t c = x / s->cell_px;
        if (cells && c < s->cols) cells[c].luma += row[x];
    }
}

static void count_clipped(struct cells_space *s, struct gathered *cells, const uint8_t *ends, int32_t from,
                          int32_t to)
{
    for (int32_t x = from; x < to; x++) {
        if (!ends[x]) continue;
        s->high += ends[x] & IMAGE_END_HIGH;
        s->low += (ends[x] & IMAGE_END_LOW) / IMAGE_END_LOW;
        if (cells && x / s->cell_px < s->cols) cells[x / s->cell_px].clipped++;
    }
}

/* Most of a picture is not clipped: eight pixels at once tell. */
static void count_ends(struct cells_space *s, int32_t y, const uint8_t *ends, int32_t width)
{
    struct gathered *cells = cells_of(s, cell_row(s, 0, y));
    int32_t x = 0;
    for (; x + ENDS_BLOCK <= width; x += ENDS_BLOCK) {
        uint64_t eight[ENDS_BLOCK / 8], any = 0;
        memcpy(eight, ends + x, sizeof eight);
        for (int i = 0; i < ENDS_BLOCK / 8; i++)
            any |= eight[i];
        if (any) count_clipped(s, cells, ends, x, x + ENDS_BLOCK);
    }
    count_clipped(s, cells, ends, x, width);
}

void cells_row(struct cells_space *s, const uint8_t *luma, const uint8_t *ends, bool looked)
{
    const int32_t y = s->y++, width = s->width, last = s->height - 1;
    const int32_t every = s->height > LINEAR_ROWS ? s->height / LINEAR_ROWS : 1;
    memcpy(byte_row(s, y), luma, (size_t)width);
    s->counts[cell_row(s, 0, y)].all++;
    if (looked) s->counts[cell_row(s, 0, y)].looked++;
    if (ends) count_ends(s, y, ends, width);
    if (y % every == 0)
        for (int32_t x = 0; x < width; x++)
            s->histogram[x & 3][luma[x]]++;
    if (y == 0 || y == last) add_border(s, y, 0, width);
    if (y >= 2) {
        if (is_band(s, 0, y - 1)) sum_band(s, 0, y - 1);
        add_border(s, y - 1, 0, 1);
        add_border(s, y - 1, width - 1, width);
    }
    if (s->soft && s->view_scale == 1) soften_row(s, y);
    const struct level *half = &s->level[1];
    if (!(y & 1) || y / 2 >= half->height) return;
    cells_halve_bytes(byte_row(s, y - 1), byte_row(s, y), sums_row(half, y / 2), half->width);
    add_small_row(s, 1, y / 2);
}

const void *cells_view(const struct cells_space *s)
{
    return s->view_scale ? (const void *)s->soft : s->level[0].plane;
}

static void thumb_size(int32_t width, int32_t height, int32_t *w, int32_t *h)
{
    const int64_t longer = most(width, height),
                  side = longer < MEASURE_THUMB_MOST ? longer : MEASURE_THUMB_MOST;
    *w = most((int32_t)(width * side / longer), 1);
    *h = most((int32_t)(height * side / longer), 1);
}

int cells_end(struct cells_space *s, struct frame_measure *out, struct err *why)
{
    struct frame_measure m = {.width_px = s->width,
                              .height_px = s->height,
                              .cell_px = s->cell_px,
                              .rows = s->rows,
                              .cols = s->cols};
    m.shift = (struct frame_shift){.trust = SHIFT_NONE, .scale = 1};
    thumb_size(s->width, s->height, &m.thumb_w, &m.thumb_h);
    m.cells = mem_new((size_t)m.rows * (size_t)m.cols, sizeof *m.cells, why);
    m.thumb = m.cells ? mem_new((size_t)m.thumb_w * (size_t)m.thumb_h, 1, why) : NULL;
    if (!m.thumb) {
        mem_free(m.cells);
        return E_NOMEM;
    }
    cells_finish(s, &m);
    *out = m;
    return E_OK;
}

int cells_measure(struct cells_space *s, const char *name, const struct image *picture,
                  struct frame_measure *out, struct err *why)
{
    int rc = cells_begin(s, name, picture->width_px, picture->height_px, MEASURE_SCALES, why);
    for (int32_t y = 0; !rc && y < picture->height_px; y++) {
        const size_t at = (size_t)y * (size_t)picture->width_px;
        cells_row(s, picture->luma + at, picture->ends + at, true);
    }
    return rc ? rc : cells_end(s, out, why);
}
