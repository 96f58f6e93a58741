/* measure_io.c - the layout: "STAD" "CELL", version, header fields, cells, thumbnail, CRC-32 of all before
 * it. */
#include "image/measure_io.h"

#include <stdbool.h>
#include <string.h>

#include <zlib.h>

#include "base/mem.h"
#include "image/cells.h"

#define VERSION          3 /* 1: without the outliers; 2: without the orientation */
#define CELL_NUMBERS     (3 * MEASURE_SCALES + MEASURE_DIRECTIONS + 5)
#define HEAD_NUMBERS     19
#define HEAD_BYTES       (8 + 4 * HEAD_NUMBERS)
#define CHECKSUM_SIZE    4
#define ORIENTATION_MOST 8

static const uint8_t magic[8] = {'S', 'T', 'A', 'D', 'C', 'E', 'L', 'L'};

struct writer {
    uint8_t *at;
};

struct reader {
    const uint8_t *at;
};

static void put32(struct writer *w, uint32_t v)
{
    for (int i = 0; i < 4; i++)
        *w->at++ = (uint8_t)(v >> (8 * i));
}

static void put_int(struct writer *w, int32_t v)
{
    put32(w, (uint32_t)v);
}

static void put_float(struct writer *w, float v)
{
    uint32_t bits;
    memcpy(&bits, &v, sizeof bits);
    put32(w, bits);
}

static uint32_t get32(struct reader *r)
{
    uint32_t v = 0;
    for (int i = 0; i < 4; i++)
        v |= (uint32_t)*r->at++ << (8 * i);
    return v;
}

static int32_t get_int(struct reader *r)
{
    return (int32_t)get32(r);
}

static float get_float(struct reader *r)
{
    const uint32_t bits = get32(r);
    float v;
    memcpy(&v, &bits, sizeof v);
    return v;
}

/* CRC-32 of ISO-HDLC (ITU-T V.42). */
static uint32_t crc32_of(const uint8_t *bytes, size_t count)
{
    return (uint32_t)crc32_z(0, bytes, count);
}

static void put_cell(struct writer *w, const struct measure_cell *c)
{
    for (int i = 0; i < MEASURE_SCALES; i++) {
        put_float(w, c->laplacian_sum[i]);
        put_float(w, c->laplacian_square[i]);
        put32(w, c->count[i]);
    }
    for (int i = 0; i < MEASURE_DIRECTIONS; i++)
        put_float(w, c->direction[i]);
    put_float(w, c->mean);
    put_float(w, c->clipped);
    put_float(w, c->outlier);
    put_int(w, c->outlier_x_px);
    put_int(w, c->outlier_y_px);
}

static void get_cell(struct reader *r, struct measure_cell *c)
{
    for (int i = 0; i < MEASURE_SCALES; i++) {
        c->laplacian_sum[i] = get_float(r);
        c->laplacian_square[i] = get_float(r);
        c->count[i] = get32(r);
    }
    for (int i = 0; i < MEASURE_DIRECTIONS; i++)
        c->direction[i] = get_float(r);
    c->mean = get_float(r);
    c->clipped = get_float(r);
    c->outlier = get_float(r);
    c->outlier_x_px = get_int(r);
    c->outlier_y_px = get_int(r);
}

static void put_head(struct writer *w, const struct frame_measure *m)
{
    put32(w, VERSION);
    put_int(w, m->width_px);
    put_int(w, m->height_px);
    put_int(w, m->orientation);
    put_int(w, m->cell_px);
    put_int(w, m->rows);
    put_int(w, m->cols);
    put_float(w, m->mean);
    put_float(w, m->mean_linear);
    put_float(w, m->clipped_high);
    put_float(w, m->clipped_low);
    put_float(w, m->noise);
    put_int(w, (int32_t)m->shift.trust);
    put_float(w, m->shift.dx_px);
    put_float(w, m->shift.dy_px);
    put_float(w, m->shift.scale);
    put_float(w, m->shift.confidence);
    put_int(w, m->thumb_w);
    put_int(w, m->thumb_h);
}

static void get_head(struct reader *r, struct frame_measure *m)
{
    m->width_px = get_int(r);
    m->height_px = get_int(r);
    m->orientation = get_int(r);
    m->cell_px = get_int(r);
    m->rows = get_int(r);
    m->cols = get_int(r);
    m->mean = get_float(r);
    m->mean_linear = get_float(r);
    m->clipped_high = get_float(r);
    m->clipped_low = get_float(r);
    m->noise = get_float(r);
    m->shift.trust = (enum shift_trust)get_int(r);
    m->shift.dx_px = get_float(r);
    m->shift.dy_px = get_float(r);
    m->shift.scale = get_float(r);
    m->shift.confidence = get_float(r);
    m->thumb_w = get_int(r);
    m->thumb_h = get_int(r);
}

static size_t size_of(const struct frame_measure *m)
{
    return HEAD_BYTES + (size_t)m->rows * (size_t)m->cols * CELL_NUMBERS * 4 +
           (size_t)m->thumb_w * (size_t)m->thumb_h + CHECKSUM_SIZE;
}

int measure_to_bytes(const struct frame_measure *m, uint8_t **bytes_out, size_t *count_out, struct err *why)
{
    const size_t count = size_of(m);
    uint8_t *bytes = mem_new(count, 1, why);
    if (!bytes) return E_NOMEM;
    memcpy(bytes, magic, sizeof magic);
    struct writer w = {bytes + 8};
    put_head(&w, m);
    for (int32_t i = 0; i < m->rows * m->cols; i++)
        put_cell(&w, &m->cells[i]);
    const size_t thumb = (size_t)m->thumb_w * (size_t)m->thumb_h;
    memcpy(w.at, m->thumb, thumb);
    w.at += thumb;
    put32(&w, crc32_of(bytes, count - CHECKSUM_SIZE));
    *bytes_out = bytes;
    *count_out = count;
    return E_OK;
}

static bool head_is_sound(const struct frame_measure *m)
{
    const bool sizes = m->width_px > 0 && m->width_px <= IMAGE_SIDE_MOST && m->height_px > 0 &&
                       m->height_px <= IMAGE_SIDE_MOST && m->cell_px > 0 && m->cell_px <= IMAGE_SIDE_MOST &&
                       m->rows > 0 && m->cols > 0;
    return sizes && m->rows == cells_along(m->height_px, m->cell_px) &&
           m->cols == cells_along(m->width_px, m->cell_px) && m->rows <= MEASURE_CELLS_MOST + 1 &&
           m->cols <= MEASURE_CELLS_MOST + 1 && m->thumb_w > 0 && m->thumb_h > 0 &&
           m->thumb_w <= MEASURE_THUMB_MOST && m->thumb_h <= MEASURE_THUMB_MOST &&
           (unsigned)m->shift.trust <= SHIFT_GOOD && (unsigned)m->orientation <= ORIENTATION_MOST;
}

static int fail_measures(const char *name, const char *what, struct err *why)
{
    return fail(why, E_DAMAGED, "%s: %s; delete it, the frame is then measured again", name, what);
}

int measure_from_bytes(const char *name, const uint8_t *bytes, size_t count, struct frame_measure *out,
                       struct err *why)
{
    if (count < HEAD_BYTES + CHECKSUM_SIZE || memcmp(bytes, magic, sizeof magic) != 0)
        return fail_measures(name, "no measures of a frame", why);
    struct reader end = {bytes + count - CHECKSUM_SIZE}, r = {bytes + 8};
    if (get32(&end) != crc32_of(bytes, count - CHECKSUM_SIZE))
        return fail_measures(name, "damaged measures", why);
    if (get32(&r) != VERSION) return fail_measures(name, "measures by another version", why);
    struct frame_measure m = {0};
    get_head(&r, &m);
    if (!head_is_sound(&m) || size_of(&m) != count)
        return fail_measures(name, "measures that contradict themselves", why);
    const size_t cells = (size_t)m.rows * (size_t)m.cols, thumb = (size_t)m.thumb_w * (size_t)m.thumb_h;
    m.cells = mem_new(cells, sizeof *m.cells, why);
    m.thumb = m.cells ? mem_new(thumb, 1, why) : NULL;
    if (!m.thumb) {
        frame_measure_clear(&m);
        return E_NOMEM;
    }
    for (size_t i = 0; i < cells; i++)
        get_cell(&r, &m.cells[i]);
    memcpy(m.thumb, r.at, thumb);
    *out = m;
    return E_OK;
}

void frame_measure_clear(struct frame_measure *m)
{
    if (!m) return;
    mem_free(m->cells);
    mem_free(m->thumb);
    *m = (struct frame_measure){0};
}
