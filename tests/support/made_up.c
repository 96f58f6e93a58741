#include "made_up.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static double hash_noise(uint32_t x, uint32_t y)
{
    uint32_t h = x * 0x9E3779B1u ^ y * 0x85EBCA77u;
    h ^= h >> 15, h *= 0x2C1B3CADu, h ^= h >> 12;
    return (h & 0xFFFF) / 65535.0;
}

/* Texture of about `size` px, 0..1, smooth between its points. */
static double texture(double x, double y, double size)
{
    const double u = x / size, v = y / size;
    const uint32_t i = (uint32_t)u, k = (uint32_t)v;
    const double a = u - i, b = v - k;
    return (hash_noise(i, k) * (1 - a) + hash_noise(i + 1, k) * a) * (1 - b) +
           (hash_noise(i, k + 1) * (1 - a) + hash_noise(i + 1, k + 1) * a) * b;
}

/* Depth in frames: a disc in front, a slope, a step. */
static double depth(const struct verdict *v, double x, double y)
{
    const double r = hypot(x - 0.42, (y - 0.5) * 0.7);
    double d = 0.15 + 0.7 * x + 0.1 * y;
    if (r < 0.22) d = 0.3 - 0.5 * r;
    if (x > 0.78 && y < 0.4) d = 0.95;
    return d * (v->frames - 1);
}

static void make_thumb(struct made_up *m, int32_t frame)
{
    struct frame_measure *f = &m->measures[frame];
    f->thumb_w = f->width_px > 320 ? 320 : f->width_px;
    f->thumb_h = f->thumb_w * f->height_px / f->width_px;
    f->thumb = calloc((size_t)f->thumb_w * (size_t)f->thumb_h, 1);
    for (int32_t y = 0; y < f->thumb_h; y++)
        for (int32_t x = 0; x < f->thumb_w; x++) {
            const double u = (double)x / f->thumb_w, w = (double)y / f->thumb_h;
            const double away = fabs(depth(&m->verdict, u, w) - frame) / m->verdict.frames;
            const double size = 3 + 60 * away, contrast = 1 / (1 + 6 * away);
            double luma = 0.30 + 0.25 * u + contrast * 0.6 * (texture(x, y, size) - 0.5);
            if (w > 0.86) luma = 0.75;
            f->thumb[(size_t)y * (size_t)f->thumb_w + (size_t)x] = (uint8_t)(255 * fmin(fmax(luma, 0), 1));
        }
}

static void make_tiles(struct made_up *m, bool faults)
{
    struct verdict *v = &m->verdict;
    for (int32_t r = 0; r < v->rows; r++)
        for (int32_t c = 0; c < v->cols; c++) {
            struct tile_verdict *t = &v->tiles[r * v->cols + c];
            const double x = (c + 0.5) / v->cols, y = (r + 0.5) / v->rows;
            *t = (struct tile_verdict){.state = TILE_COVERED, .peak_count = 1, .sharpness = 1};
            t->peak[0] = (float)depth(v, x, y);
            t->confidence[0] = 0.9f;
            if (y > 0.86) t->state = TILE_NO_TEXTURE, t->peak_count = 0;
            if (!faults) continue;
            if (x > 0.78 && y < 0.4) t->state = TILE_UNSHARP_AFTER;
            if (x < 0.1 && y < 0.6) t->state = TILE_UNSHARP_BEFORE;
            if (x > 0.55 && x < 0.63 && y > 0.5 && y < 0.86) t->state = TILE_GAP;
            if (y < 0.06) t->state = TILE_OUTSIDE, t->peak_count = 0;
        }
}

/* Each depth in focus in its own frame, half as sharp in the next. */
static void make_ridge(struct verdict *v)
{
    struct ridge *r = &v->ridge;
    v->place = calloc((size_t)v->frames, sizeof *v->place);
    r->depths = v->frames;
    r->depth_spacings = 1;
    r->place = calloc((size_t)v->frames, sizeof *r->place);
    r->tiles = calloc((size_t)v->frames, sizeof *r->tiles);
    r->sharpness = calloc((size_t)v->frames * (size_t)v->frames, sizeof *r->sharpness);
    for (int32_t i = 0; i < v->frames; i++) {
        v->place[i].scale = 1;
        r->place[i] = i;
        r->tiles[i] = 10 + i;
        for (int32_t k = i > 0 ? i - 1 : 0; k <= i + 1 && k < v->frames; k++)
            r->sharpness[i * v->frames + k] = k == i ? 1 : 0.5f;
    }
}

static void list_add(struct frame_list *l, int32_t frame)
{
    l->rows = realloc(l->rows, (size_t)(l->count + 1) * sizeof *l->rows);
    l->rows[l->count++] = frame;
}

static void finding_row(struct finding *f, const char *code, bool grave, const char *text, const char *advice)
{
    *f = (struct finding){.grave = grave};
    snprintf(f->code, sizeof f->code, "%s", code);
    snprintf(f->text, sizeof f->text, "%s", text);
    snprintf(f->advice, sizeof f->advice, "%s", advice);
}

static void add_faults(struct made_up *m)
{
    struct verdict *v = &m->verdict;
    v->findings.rows = calloc(3, sizeof *v->findings.rows);
    v->findings.count = 3;
    finding_row(&v->findings.rows[0], "shaken", false, "slice 9 is less sharp than its neighbours <b>&amp;",
                "wait longer before each frame");
    finding_row(&v->findings.rows[1], "too-short-far", true, "11 % of the subject lies beyond the last frame",
                "shoot about 8 frames more, deeper in");
    finding_row(&v->findings.rows[2], "gap", true, "3 slices are missing after slice 17",
                "shoot them before teardown");
    list_add(&v->blurred, 8 % v->frames);
    list_add(&v->swapped, 12 % v->frames);
    v->light.jumps = calloc(1, sizeof *v->light.jumps);
    v->light.jumps[0] = 20 % v->frames;
    v->light.jump_count = 1;
    v->weakest_count = 3;
    for (int32_t i = 0; i < 3; i++) {
        struct weak_place *k = &v->weakest[i];
        const int32_t w = m->measures[0].width_px, h = m->measures[0].height_px;
        *k = (struct weak_place){.at_x_px = w * (1 + 3 * i) / 8, .at_y_px = h * (5 - 2 * i) / 8};
        k->frame = v->frames * (i + 1) / 5;
        k->sharpness = 0.3f + 0.1f * (float)i;
        snprintf(k->reason, sizeof k->reason, "%s",
                 i == 1 ? "the hair, sharp in one frame only" : "little texture, flat top");
    }
}

struct made_up *made_up_stack(int32_t frames, int32_t width_px, int32_t height_px, bool faults)
{
    struct made_up *m = calloc(1, sizeof *m);
    struct verdict *v = &m->verdict;
    m->info =
        (struct stack_info){.kind = STACK_PLANNED, .simulated = true, .created_wall_us = 978379200000000};
    snprintf(m->info.name, sizeof m->info.name, "clock movement");
    v->frames = frames;
    v->cell_px = (width_px + 95) / 96;
    v->tile_px = v->cell_px;
    v->cols = width_px / v->tile_px;
    v->rows = height_px / v->tile_px;
    v->tiles = calloc((size_t)(v->rows * v->cols), sizeof *v->tiles);
    v->useful_first = frames > 6 ? 2 : 0;
    v->useful_last = frames > 6 ? frames - 3 : frames - 1;
    v->margin = 2;
    v->order = ORDER_NEAR_FIRST;
    v->textured_fraction = 0.86;
    v->light = (struct light_verdict){.scatter_stops = 0.012, .slope_stops = -0.034};
    if (frames > 6) list_add(&v->unneeded, frames - 1);
    m->rows = calloc((size_t)frames, sizeof *m->rows);
    m->measures = calloc((size_t)frames, sizeof *m->measures);
    for (int32_t i = 0; i < frames; i++) {
        m->rows[i].slice = i + 1;
        m->measures[i] = (struct frame_measure){
            .width_px = width_px, .height_px = height_px, .mean_linear = 0.2f + 0.001f * (float)(i % 5)};
        m->measures[i].shift.scale = 1;
        make_thumb(m, i);
    }
    make_tiles(m, faults);
    make_ridge(v);
    if (faults) add_faults(m);
    return m;
}

void made_up_free(struct made_up *m)
{
    for (int32_t i = 0; i < m->verdict.frames; i++)
        free(m->measures[i].thumb);
    free(m->measures);
    free(m->rows);
    free(m->verdict.tiles);
    free(m->verdict.place);
    free(m->verdict.ridge.place);
    free(m->verdict.ridge.tiles);
    free(m->verdict.ridge.sharpness);
    free(m->verdict.findings.rows);
    free(m->verdict.light.jumps);
    free(m->verdict.blurred.rows);
    free(m->verdict.swapped.rows);
    free(m->verdict.unneeded.rows);
    free(m);
}

struct pictures_of made_up_pictures(const struct made_up *m)
{
    return (struct pictures_of){.verdict = &m->verdict, .rows = m->rows, .measures = m->measures};
}
