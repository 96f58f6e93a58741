/* scene_clock.c - paints the movement of clock_parts.c: brushed and polished metal under one soft lamp, drawn
 * for the frame's own pixels, so that every sensor sees texture down to its finest detail. */
#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "sim/clock_parts.h"
#include "sim/crew.h"
#include "sim/inside.h"
#include "sim/texture.h"

/* Heights, with tilt and relief, reach from about -0.03 to 1.03: brought to 0 .. 1. */
#define NEAREST        0.045
#define SHARE_OF_DEPTH 0.92
#define PAINTERS       2     /* threads */
#define TILT_X         0.020 /* of the whole movement against the sensor: shares of the depth per unit */
#define TILT_Y         (-0.016)

struct easel {
    double unit_px; /* pixels per unit of length */
    double cx, cy;  /* the middle, pixels */
    double px;      /* a pixel in units */
    double depth_um, near_um;
    uint32_t seed;
};

struct place {
    double x, y;   /* units */
    double inside; /* the part */
    double nx, ny; /* slope of a chamfer: outward, 0 on the face */
    float bed;     /* of split stone: how far the face stands back */
};

struct colour {
    float r, g, b;
};

static const struct colour metal_colour[] = {
    [METAL_BRASS] = {0.98f, 0.66f, 0.24f}, [METAL_STEEL] = {0.72f, 0.74f, 0.78f},
    [METAL_BLUED] = {0.06f, 0.15f, 0.62f}, [METAL_RUBY] = {0.62f, 0.02f, 0.07f},
    [METAL_GILT] = {1.00f, 0.74f, 0.33f},  [METAL_NICKEL] = {0.70f, 0.66f, 0.57f},
    [METAL_HAIR] = {0.32f, 0.19f, 0.10f},  [METAL_SLATE] = {0.085f, 0.09f, 0.10f},
};

/* The lamp: a soft box above left, with a weak second light from the right. Brightness of a mirror with this
 * slope. */
static float lamp_in_mirror(double nx, double ny)
{
    double dx = nx + 0.42, dy = ny + 0.50, ex = nx - 0.75, ey = ny - 0.1;
    return (float)(0.14 + 1.55 * exp(-(dx * dx + dy * dy) / 0.26) + 0.40 * exp(-(ex * ex + ey * ey) / 0.2));
}

/* Grooves along (tx, ty): a mirror smeared across them. */
static float lamp_on_grooves(double tx, double ty, double nx, double ny)
{
    double along = tx * (nx + 0.42) + ty * (ny + 0.50), along2 = tx * (nx - 0.75) + ty * (ny - 0.1);
    return (float)(0.20 + 0.95 * exp(-along * along / 0.045) + 0.26 * exp(-along2 * along2 / 0.06));
}

/* Direction of the grooves and their pattern at a place. */
struct grooves {
    double tx, ty;
    float pattern;
};

static struct grooves straight_grooves(const struct easel *c, uint32_t seed, double x, double y, double angle)
{
    double tx = cos(angle), ty = sin(angle), u = x * tx + y * ty, v = -x * ty + y * tx;
    float p = octaves(seed, u, v, 0.12, 1.25 * c->px, 0.92f, 10, 1);
    return (struct grooves){tx, ty, p};
}

/* Turned on a lathe: grooves around (0, 0); `radius`: where they are as long as elsewhere. */
static struct grooves turned_grooves(const struct easel *c, uint32_t seed, double x, double y, double radius)
{
    double r = hypot(x, y) + 1e-9, angle = atan2(y, x);
    /* The same on both sides of the seam at half a turn. */
    float p = octaves(seed, fabs(angle) * radius, r, 0.10, 1.25 * c->px, 0.92f, 9, 1);
    return (struct grooves){-y / r, x / r, p};
}

/* Rows of little turned spots, each overlapping the one before. */
static struct grooves spotted_grooves(const struct easel *c, uint32_t seed, double x, double y)
{
    static const double pitch = 0.30, radius = 0.235;
    int32_t row0 = (int32_t)floor(y / pitch), col0 = (int32_t)floor(x / pitch);
    /* The last spot that was turned here lies on top. */
    for (int32_t row = row0 + 1; row >= row0 - 1; row--) {
        for (int32_t col = col0 + 1; col >= col0 - 1; col--) {
            double dx = x - (col + 0.5 + (row & 1) * 0.5) * pitch, dy = y - (row + 0.5) * pitch;
            if (dx * dx + dy * dy > radius * radius) continue;
            struct grooves g =
                turned_grooves(c, seed + hash32((uint32_t)(row * 131 + col)), dx, dy, 1.6 * radius);
            double rim = hypot(dx, dy) / radius;
            g.pattern -= (float)(0.5 * exp(-(1 - rim) * (1 - rim) / 0.003));
            return g;
        }
    }
    return (struct grooves){1, 0, 0};
}

static struct grooves grooves_of(const struct easel *c, const struct part *p, const struct place *at)
{
    double x = at->x - p->x, y = at->y - p->y;
    uint32_t seed = c->seed + 77u * (uint32_t)(p - clock_part);
    switch (p->kind) {
    case PART_PLATE:
        return spotted_grooves(c, seed, at->x, at->y);
    case PART_BRIDGE: {
        /* Broad stripes, brushed back and forth. */
        double angle = atan2(p->y2 - p->y, p->x2 - p->x),
               across = -x * sin(angle - 0.9) + y * cos(angle - 0.9);
        double stripe = across / 0.34, side = fabs(stripe - 2 * floor(stripe / 2) - 1) - 0.5;
        struct grooves g = straight_grooves(c, seed, x, y, angle - 0.9 + 0.16 * side);
        g.pattern += (float)(0.9 * side);
        return g;
    }
    case PART_SCREW:
        return straight_grooves(c, seed, x, y, p->turn + 0.5);
    default:
        return turned_grooves(c, seed, x, y, p->radius);
    }
}

static v4 painted(struct colour k, float light, float cover)
{
    return (v4){k.r * light, k.g * light, k.b * light, 1} * v4_all(cover);
}

/* Specks of dust, a few, bright and dark. */
static float dust(const struct easel *c, uint32_t seed, double x, double y)
{
    double size = 0.05;
    float n =
        noise_at(seed + 5000, x / size, y / size) * noise_at(seed + 5001, x / size * 1.7, y / size * 1.7);
    (void)c;
    return n > 0.52f ? (n - 0.52f) * 1.8f : 0;
}

static v4 paint_metal(const struct easel *c, const struct part *p, const struct place *at, float cover)
{
    struct colour k = metal_colour[p->metal];
    double steep = hypot(at->nx, at->ny);
    struct grooves g = grooves_of(c, p, at);
    float face = lamp_on_grooves(g.tx, g.ty, at->nx, at->ny) * (1 + 0.52f * g.pattern);
    float edge = lamp_in_mirror(at->nx, at->ny) * (1 + 0.12f * g.pattern);
    float mix = (float)fmin(steep * 2.5, 1);
    float light = face * (1 - mix) + edge * mix;
    if (p->kind == PART_SCREW) {
        double x = at->x - p->x, y = at->y - p->y, across = -x * sin(p->turn) + y * cos(p->turn);
        double slot = (fabs(across) - p->inner) / c->px;
        if (slot < 0.5) light *= (float)(0.12 + 0.88 * fmax(fmin(slot + 0.5, 1), 0));
    }
    light = fmaxf(light, 0.02f) * 0.72f + dust(c, c->seed + (uint32_t)(p - clock_part) * 31u, at->x, at->y);
    return painted(k, light, cover);
}

/* A polished stone in a hole: dark red, a bright reflection, a glow on the far side. */
static v4 paint_jewel(const struct easel *c, const struct part *p, const struct place *at, float cover)
{
    double x = (at->x - p->x) / p->radius, y = (at->y - p->y) / p->radius, r = hypot(x, y);
    double hx = x + 0.34, hy = y + 0.38, gx = x - 0.35, gy = y - 0.4;
    float glow = (float)(0.25 + 0.9 * exp(-(gx * gx + gy * gy) / 0.16)),
          shine = (float)(2.2 * exp(-(hx * hx + hy * hy) / 0.012));
    float grain = octaves(c->seed + 900, at->x, at->y, 0.06, 1.25 * c->px, 0.8f, 1, 1);
    v4 v = painted(metal_colour[METAL_RUBY], glow * (1 + 0.25f * grain), cover);
    double hole = (r - p->inner / p->radius) * p->radius / c->px;
    if (hole < 0.5) v *= (v4){0.25f, 0.3f, 0.3f, 1};
    return v + (v4){shine, shine, shine, 0} * v4_all(cover);
}

static v4 paint_hair(const struct easel *c, const struct part *p, const struct place *at, float cover)
{
    double across = (at->y - hair_line(p, at->x)) / p->radius * 0.93;
    double up = -across * 0.8 + 0.25;
    float body = (float)(0.35 + 0.6 * fmax(up, 0));
    float scales = octaves(c->seed + 40, at->x + 0.04 * across, at->y, 0.05, 1.25 * c->px, 0.9f, 0.35, 1.2);
    float shine = (float)(0.9 * exp(-(across + 0.35) * (across + 0.35) / 0.03)) * (1 + 0.5f * scales);
    v4 v = painted(metal_colour[METAL_HAIR], body * (1 + 0.55f * scales), cover);
    return v + (v4){shine * 0.55f, shine * 0.5f, shine * 0.42f, 0} * v4_all(cover);
}

/* Split stone: ridges along the bed, glittering grains. */
static float slate_relief(const struct easel *c, double x, double y)
{
    float beds = octaves(c->seed + 300, x + 0.25 * y, y - 0.3 * x, 1.3, 0.08, 0.55f, 2.2, 1);
    return beds;
}

static v4 paint_slate(const struct easel *c, const struct place *at)
{
    double e = 0.03;
    float h = at->bed;
    float sx = (slate_relief(c, at->x + e, at->y) - h) / (float)e,
          sy = (slate_relief(c, at->x, at->y + e) - h) / (float)e;
    float grain = octaves(c->seed + 320, at->x, at->y, 0.09, 1.25 * c->px, 0.95f, 1.6, 1);
    float sparkle = noise_at(c->seed + 340, at->x / (3.2 * c->px), at->y / (3.2 * c->px));
    float light = 0.75f - 0.16f * sx - 0.20f * sy + 0.55f * grain;
    light = fmaxf(light, 0.08f);
    if (sparkle > 0.86f) light += (sparkle - 0.86f) * 22;
    return painted(metal_colour[METAL_SLATE], light, 1);
}

static v4 paint(const struct easel *c, const struct part *p, const struct place *at, float cover)
{
    switch (p->kind) {
    case PART_HAIR:
        return paint_hair(c, p, at, cover);
    case PART_JEWEL:
        return paint_jewel(c, p, at, cover);
    case PART_SLATE:
        return paint_slate(c, at);
    default:
        return paint_metal(c, p, at, cover);
    }
}

static double relief_of(const struct part *p, const struct place *at)
{
    switch (p->kind) {
    case PART_SLATE:
        return 0.022 * (double)at->bed + 0.03;
    case PART_HAIR:
        return 0.035 * sin(0.75 * at->x + 1.2);
    case PART_SCREW: {
        double r = hypot(at->x - p->x, at->y - p->y) / p->radius;
        return 0.018 * r * r;
    }
    default:
        return 0;
    }
}

static bool has_relief(const struct part *p)
{
    return p->kind == PART_SLATE || p->kind == PART_HAIR || p->kind == PART_SCREW;
}

/* Width of the polished chamfer, units. */
static double chamfer_of(const struct part *p)
{
    switch (p->kind) {
    case PART_WHEEL:
        return 0.035;
    case PART_BRIDGE:
    case PART_PLATE:
    case PART_SCREW:
        return 0.05;
    case PART_DISC:
        return 0.06;
    default:
        return 0;
    }
}

static void feel_edge(const struct part *p, const struct easel *c, struct place *at)
{
    double width = chamfer_of(p), e = c->px;
    at->nx = at->ny = 0;
    if (at->inside > width) return;
    double gx = part_inside(p, at->x + e, at->y) - part_inside(p, at->x - e, at->y);
    double gy = part_inside(p, at->x, at->y + e) - part_inside(p, at->x, at->y - e);
    double g = hypot(gx, gy);
    if (g <= 0) return;
    double steep = 0.75 * fmin(fmax(1.4 * (1 - at->inside / width), 0), 1);
    at->nx = -gx / g * steep;
    at->ny = -gy / g * steep;
}

/* How much of the lamp's light nearer parts leave: their outline, moved along the light and softened by their
 * height. */
static float shadow_at(const struct part *p, double x, double y)
{
    float left = 1;
    for (const struct part *q = clock_part; q < p; q++) {
        double height = (p->depth - q->depth) * 3.4, soft = 0.05 + 0.30 * height;
        if (q->kind == PART_HAIR || height < 0.02) continue;
        double in = part_inside(q, x - 0.30 * height, y - 0.36 * height);
        float dark = (float)fmin(fmax(0.5 + in / soft, 0), 1);
        dark = dark * dark * (3 - 2 * dark);
        left *= 1 - dark * (float)(0.62 / (1 + 0.8 * height));
    }
    return left;
}

#define SHADOW_STEP 8 /* pixels */

static int paint_shadows(const struct easel *c, const struct part *p, struct rect at, float **out,
                         struct err *why)
{
    int32_t w = (at.x1 - at.x0) / SHADOW_STEP + 2, h = (at.y1 - at.y0) / SHADOW_STEP + 2;
    *out = mem_new((size_t)w * (size_t)h, sizeof **out, why);
    if (!*out) return E_NOMEM;
    for (int32_t y = 0; y < h; y++) {
        for (int32_t x = 0; x < w; x++)
            (*out)[y * w + x] = shadow_at(p, (at.x0 + x * SHADOW_STEP - c->cx) * c->px,
                                          (at.y0 + y * SHADOW_STEP - c->cy) * c->px);
    }
    return E_OK;
}

static float shadow_between(const float *s, int32_t w, int32_t x, int32_t y)
{
    int32_t sx = x / SHADOW_STEP, sy = y / SHADOW_STEP;
    float fx = (float)(x % SHADOW_STEP) / SHADOW_STEP, fy = (float)(y % SHADOW_STEP) / SHADOW_STEP;
    const float *a = s + sy * w + sx, *b = a + w;
    float top = a[0] + fx * (a[1] - a[0]), low = b[0] + fx * (b[1] - b[0]);
    return top + fy * (low - top);
}

static void paint_part(const struct easel *c, const struct part *p, struct rect r, const float *shadow,
                       v4 *rgba, float *relief)
{
    int32_t w = r.x1 - r.x0, sw = w / SHADOW_STEP + 2;
    for (int32_t y = r.y0; y < r.y1; y++) {
        for (int32_t x = r.x0; x < r.x1; x++) {
            size_t i = (size_t)(y - r.y0) * (size_t)w + (size_t)(x - r.x0);
            struct place at = {.x = (x - c->cx) * c->px, .y = (y - c->cy) * c->px};
            at.inside = part_inside(p, at.x, at.y);
            if (p->kind == PART_SLATE) at.bed = slate_relief(c, at.x, at.y);
            if (relief) relief[i] = (float)(c->depth_um * relief_of(p, &at));
            float cover = (float)fmin(fmax(at.inside / c->px + 0.5, 0), 1);
            if (cover <= 0) continue;
            feel_edge(p, c, &at);
            v4 v = paint(c, p, &at, cover);
            float s = shadow_between(shadow, sw, x - r.x0, y - r.y0);
            rgba[i] = v * (v4){s, s, s, 1};
        }
    }
}

static struct rect box_px(const struct easel *c, const struct part *p, struct rect room)
{
    double x0, y0, x1, y1;
    part_box(p, &x0, &y0, &x1, &y1);
    x0 = fmin(fmax(x0 * c->unit_px + c->cx - 2, room.x0), room.x1 - 1);
    y0 = fmin(fmax(y0 * c->unit_px + c->cy - 2, room.y0), room.y1 - 1);
    x1 = fmin(fmax(x1 * c->unit_px + c->cx + 3, room.x0 + 1), room.x1);
    y1 = fmin(fmax(y1 * c->unit_px + c->cy + 3, room.y0 + 1), room.y1);
    return rect_aligned((struct rect){(int32_t)x0, (int32_t)y0, (int32_t)x1, (int32_t)y1}, room);
}

static struct sheet sheet_of(const struct easel *c, const struct part *p, struct rect room)
{
    struct sheet s = {
        .at = box_px(c, p, room),
        .room = room,
        .backdrop = p->kind == PART_SLATE,
        .thin = p->kind == PART_HAIR,
        .slope_x_um = TILT_X * c->px * c->depth_um,
        .slope_y_um = TILT_Y * c->px * c->depth_um,
    };
    s.depth_um = c->near_um + p->depth * c->depth_um - c->cx * s.slope_x_um - c->cy * s.slope_y_um;
    return s;
}

struct workshop {
    const struct easel *easel;
    struct scene *scene;
};

static int make_part(void *arg, int job, struct err *why)
{
    const struct workshop *w = arg;
    const struct easel *c = w->easel;
    const struct part *p = &clock_part[job];
    struct sheet *s = &w->scene->sheets[job];
    size_t n = (size_t)(s->at.x1 - s->at.x0) * (size_t)(s->at.y1 - s->at.y0);
    v4 *rgba = mem_new(n, sizeof *rgba, why);
    float *relief = has_relief(p) ? mem_new(n, sizeof *relief, why) : NULL, *shadow = NULL;
    int rc = rgba && (relief || !has_relief(p)) ? paint_shadows(c, p, s->at, &shadow, why) : E_NOMEM;
    if (!rc) {
        paint_part(c, p, s->at, shadow, rgba, relief);
        rc = sheet_build(s, rgba, relief, why);
    }
    mem_free(rgba);
    mem_free(relief);
    mem_free(shadow);
    return rc;
}

int scene_clock(struct scene *scene, const struct scene_frame *f, struct err *why)
{
    struct easel c = {
        .unit_px = f->width_px / 6.0,
        .px = 6.0 / f->width_px,
        .cx = (f->width_px - 1) / 2.0,
        .cy = (f->height_px - 1) / 2.0,
        .depth_um = SHARE_OF_DEPTH * f->depth_um,
        .near_um = f->near_um + NEAREST * f->depth_um,
        .seed = (uint32_t)hash_mix(f->seed, 7),
    };
    struct rect room = scene_room(f);
    for (int32_t i = 0; i < clock_parts; i++) {
        struct sheet *s = scene_add(scene, why);
        if (!s) return E_NOMEM;
        *s = sheet_of(&c, &clock_part[i], room);
    }
    struct workshop w = {&c, scene};
    return crew_run(make_part, &w, clock_parts, PAINTERS, why);
}
