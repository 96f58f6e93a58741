#include "tests/support/made.h"

#include <string.h>

#include "base/mem.h"
#include "tests/support/chance.h"
#include "tests/support/test.h"

enum { WIDTH = 641, HEIGHT = 555, CELL = 7, COLS = 92, ROWS = 79 };

/* Sum of four uniforms of 16 bits, scaled to variance 1: near enough to a Gaussian. */
static double gaussian(uint64_t *state)
{
    const uint64_t z = chance_mix(state);
    const double sum =
        (double)(z & 0xffff) + (double)(z >> 16 & 0xffff) + (double)(z >> 32 & 0xffff) + (double)(z >> 48);
    return (sum / 65536 - 2) * 1.7320508;
}

/* Strength of the texture of a piece of the subject: fixed to the subject, different at each scale. */
static double textures[ROWS][COLS][MEASURE_SCALES];

static void make_textures(uint64_t seed)
{
    for (int r = 0; r < ROWS; r++)
        for (int c = 0; c < COLS; c++)
            for (int k = 0; k < MEASURE_SCALES; k++)
                textures[r][c][k] = 100 * exp(0.7 * gaussian(&seed));
}

static double texture(double x, double y, int scale)
{
    const int c = (int)(x * COLS), r = (int)(y * ROWS);
    return textures[r < 0 ? 0 : r >= ROWS ? ROWS - 1 : r][c < 0 ? 0 : c >= COLS ? COLS - 1 : c][scale];
}

static double energy(double amplitude, double blur_px, int scale)
{
    const double b = blur_px / (2.0 * pow(2, scale));
    return amplitude / ((1 + b * b) * sqrt(1 + b * b));
}

static double depth_at(const struct made_opts *o, double x, double y)
{
    if (o->depth) return o->depth(x, y);
    return o->near_at + x * (o->far_at - o->near_at);
}

static double layer(const struct made_opts *o, double depth, double place, double shake, double x, double y,
                    int scale)
{
    if (isnan(depth)) return 0;
    const double per = o->blur_px > 0 ? o->blur_px : 4;
    return energy(texture(x, y, scale), hypot(per * (place - depth), shake), scale);
}

static void make_cell(const struct made_opts *o, int32_t i, double x, double y, uint64_t *noise,
                      struct measure_cell *c)
{
    const double place = o->at ? o->at[i] : i, shake = o->shake_px ? o->shake_px[i] : 0;
    const double gain = o->light_stops ? pow(2, o->light_stops[i]) : 1;
    const double contrast = pow(gain, 2 / 2.2);
    const double depth = depth_at(o, x, y), hair = o->hair ? o->hair(x, y) : NAN;
    for (int k = 0; k < MEASURE_SCALES; k++) {
        const double n = CELL * CELL / (double)(1 << 2 * k), white = o->noise * o->noise / (1 << 2 * k);
        double e = layer(o, depth, place, shake, x, y, k) + layer(o, hair, place, shake, y, x, k) / 3;
        e = e * contrast + white * fmax(0.05, 1 + 1.5 * sqrt(2 / n) * gaussian(noise));
        c->count[k] = (uint32_t)ceil(n);
        c->laplacian_square[k] = (float)(e * ceil(n));
    }
    /* A shake along x takes the energy of x first. */
    for (int d = 0; d < MEASURE_DIRECTIONS; d++) {
        const double along = fabs(cos(M_PI * d / MEASURE_DIRECTIONS));
        c->direction[d] = (float)(1 + layer(o, depth, place, 2 * shake * along, x, y, 1));
    }
    c->mean = (float)(110 * pow(gain, 1 / 2.2));
}

static void make_frame(const struct made_opts *o, int32_t i, struct frame_measure *m)
{
    uint64_t noise = o->seed * 977u + (uint64_t)i;
    const double scale = pow(1 + o->scale_step, i), dx = o->shift_px ? o->shift_px[i] : 0;
    *m = (struct frame_measure){
        .width_px = WIDTH, .height_px = HEIGHT, .cell_px = CELL, .rows = ROWS, .cols = COLS};
    m->cells = mem_new((size_t)ROWS * COLS, sizeof *m->cells, NULL);
    m->noise = (float)o->noise;
    for (int32_t r = 0; r < ROWS; r++)
        for (int32_t c = 0; c < COLS; c++) {
            const double x = ((c + 0.5) * CELL - WIDTH / 2.0 - dx) / scale / WIDTH + 0.5;
            const double y = ((r + 0.5) * CELL - HEIGHT / 2.0) / scale / HEIGHT + 0.5;
            make_cell(o, i, x, y, &noise, &m->cells[r * COLS + c]);
        }
    m->shift = (struct frame_shift){.trust = i ? SHIFT_GOOD : SHIFT_NONE, .scale = 1, .confidence = 1};
    if (i) {
        m->shift.scale = (float)(1 + o->scale_step + 1e-4 * gaussian(&noise));
        m->shift.dx_px = (float)(dx - (o->shift_px ? o->shift_px[i - 1] : 0) + 0.03 * gaussian(&noise));
        m->shift.dy_px = (float)(0.03 * gaussian(&noise));
    }
}

void made_new(const struct made_opts *o, struct made *out)
{
    *out = (struct made){.frames = o->frames};
    make_textures(o->seed);
    out->measures = mem_new((size_t)o->frames, sizeof *out->measures, NULL);
    out->list = mem_new((size_t)o->frames, sizeof *out->list, NULL);
    out->rows = mem_new((size_t)o->frames, sizeof *out->rows, NULL);
    for (int32_t i = 0; i < o->frames; i++) {
        make_frame(o, i, &out->measures[i]);
        out->list[i] = &out->measures[i];
        out->rows[i] = (struct frame_row){.slice = i + 1, .target_nm = STACK_NONE};
    }
}

void made_clear(struct made *m)
{
    for (int32_t i = 0; i < m->frames; i++)
        mem_free(m->measures[i].cells);
    mem_free(m->measures);
    mem_free(m->list);
    mem_free(m->rows);
    *m = (struct made){0};
}

void made_check(const struct made *m, const struct check_input *extra, struct verdict *out)
{
    struct check_input in = extra ? *extra : (struct check_input){0};
    struct err why = {0};
    in.frames = m->frames;
    in.measures = m->list;
    if (!in.rows) in.rows = m->rows;
    if (check_stack(&in, out, &why)) {
        printf("%s\n", why.text);
        assert_true(false);
    }
}
