/* scene_picture.c - a photograph and its depth map become sheets.
 *
 * The picture is scaled to cover the frame and cut at its edges; colours are means over areas, depths the
 * nearest sample (a mean of two depths would be neither). The range of depths is cut into slabs, a sheet
 * each. A sheet holds the pixels of its slab, those of neighbouring depth just in front of it (so that a
 * slope that crosses from slab to slab has no seam), and, as far as blur may let one look behind nearer
 * things, a guess at what is hidden: the sheet's own surface, mirrored at the edge of what hides it. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/mem.h"
#include "sim/inside.h"
#include "sim/source.h"

#define SLABS   8
#define OVERLAP 0.25f /* of a slab */

struct painting {
    int32_t w, h; /* of the room around the frame */
    v4 *colour;
    float *depth_um;
    uint8_t *unknown;
};

static void painting_clear(struct painting *p)
{
    mem_free(p->colour);
    mem_free(p->depth_um);
    mem_free(p->unknown);
}

/* Fills a gap from the farther of its two ends: what shows beside a near thing is usually the background. */
static void fill_line(uint16_t *v, int32_t n, ptrdiff_t stride, bool larger_is_nearer)
{
    for (int32_t i = 0; i < n;) {
        if (v[i * stride]) {
            i++;
            continue;
        }
        int32_t end = i;
        while (end < n && !v[end * stride])
            end++;
        uint16_t before = i > 0 ? v[(i - 1) * stride] : 0, after = end < n ? v[end * stride] : 0;
        uint16_t farther = larger_is_nearer == (before < after) ? before : after;
        uint16_t fill = !before ? after : !after ? before : farther;
        for (; i < end; i++)
            v[i * stride] = fill;
    }
}

static void fill_unknown(struct source *map, bool larger_is_nearer)
{
    for (int32_t y = 0; y < map->height; y++)
        fill_line(map->samples + (size_t)y * (size_t)map->width, map->width, 1, larger_is_nearer);
    for (int32_t x = 0; x < map->width; x++)
        fill_line(map->samples + x, map->height, map->width, larger_is_nearer);
}

static float linear_of(uint16_t code)
{
    double x = code / 255.0;
    return (float)(x <= 0.04045 ? x / 12.92 : pow((x + 0.055) / 1.055, 2.4));
}

/* From a pixel of the frame to a place in the picture, both counted from the corner; mirrored at the edges.
 */
struct fit {
    double step, left, top;
};

static struct fit fit_to(const struct source *p, const struct scene_frame *f)
{
    struct fit fit = {.step = fmin((double)p->width / f->width_px, (double)p->height / f->height_px)};
    fit.left = (p->width - fit.step * f->width_px) / 2;
    fit.top = (p->height - fit.step * f->height_px) / 2;
    return fit;
}

static int32_t folded(int32_t i, int32_t n)
{
    int32_t t = i % (2 * n);
    if (t < 0) t += 2 * n;
    return t < n ? t : 2 * n - 1 - t;
}

/* Mean colour over the area [x0, x1) x [y0, y1) of the picture, edges counted in part. */
static v4 area_mean(const struct source *p, const float *linear, double x0, double y0, double x1, double y1)
{
    v4 sum = v4_all(0);
    float weight = 0;
    for (int32_t y = (int32_t)floor(y0); y < y1; y++) {
        float wy = (float)(fmin(y + 1, y1) - fmax(y, y0));
        for (int32_t x = (int32_t)floor(x0); x < x1; x++) {
            float w = wy * (float)(fmin(x + 1, x1) - fmax(x, x0));
            const uint16_t *s = p->samples + 3 * ((size_t)folded(y, p->height) * (size_t)p->width +
                                                  (size_t)folded(x, p->width));
            sum += v4_all(w) * (v4){linear[s[0]], linear[s[1]], linear[s[2]], 1};
            weight += w;
        }
    }
    return sum / v4_all(weight);
}

struct range {
    double least, most; /* of known numbers */
};

static struct range known_range(const struct source *map)
{
    struct range r = {INFINITY, 0};
    for (size_t i = 0; i < (size_t)map->width * (size_t)map->height; i++) {
        if (!map->samples[i]) continue;
        r.least = fmin(r.least, map->samples[i]);
        r.most = fmax(r.most, map->samples[i]);
    }
    return r;
}

/* 0 at the nearest known point, 1 at the farthest. */
static double share_of_depth(double number, struct range r, bool distance)
{
    if (r.most <= r.least) return 0;
    return distance ? (number - r.least) / (r.most - r.least)
                    : (1 / number - 1 / r.most) / (1 / r.least - 1 / r.most);
}

static int paint(struct painting *p, const struct scene_frame *f, const struct scene_spec *s,
                 struct rect room, const struct source *colour, struct source *map, struct err *why)
{
    p->w = room.x1 - room.x0;
    p->h = room.y1 - room.y0;
    size_t n = (size_t)p->w * (size_t)p->h, samples = (size_t)map->width * (size_t)map->height;
    p->colour = mem_new(n, sizeof *p->colour, why);
    p->depth_um = mem_new(n, sizeof *p->depth_um, why);
    p->unknown = mem_new(n, 1, why);
    uint8_t *unknown = mem_new(samples, 1, why);
    if (!p->colour || !p->depth_um || !p->unknown || !unknown) {
        mem_free(unknown);
        return E_NOMEM;
    }
    float linear[256];
    for (int i = 0; i < 256; i++)
        linear[i] = linear_of((uint16_t)i);
    for (size_t i = 0; i < samples; i++)
        unknown[i] = map->samples[i] == 0;
    struct range range = known_range(map);
    fill_unknown(map, !s->depth_map_is_distance);
    struct fit fit = fit_to(colour, f);
    for (int32_t y = 0; y < p->h; y++) {
        for (int32_t x = 0; x < p->w; x++) {
            double x0 = fit.left + (x + room.x0) * fit.step, y0 = fit.top + (y + room.y0) * fit.step;
            size_t i = (size_t)y * (size_t)p->w + (size_t)x;
            p->colour[i] = area_mean(colour, linear, x0, y0, x0 + fit.step, y0 + fit.step);
            int32_t mx = folded((int32_t)floor(x0 + fit.step / 2), map->width);
            int32_t my = folded((int32_t)floor(y0 + fit.step / 2), map->height);
            size_t m = (size_t)my * (size_t)map->width + (size_t)mx;
            p->depth_um[i] = (float)(f->near_um + f->depth_um * share_of_depth(map->samples[m], range,
                                                                               s->depth_map_is_distance));
            p->unknown[i] = unknown[m];
        }
    }
    mem_free(unknown);
    return E_OK;
}

/* --- slabs --- */

/* For each pixel, the nearest pixel that is set, by two sweeps (8 neighbours): near enough to the true
 * nearest. */
static void find_nearest(const uint8_t *set, int32_t w, int32_t h, int32_t *of)
{
    static const int8_t ahead[4][2] = {{-1, 0}, {-1, -1}, {0, -1}, {1, -1}};
    size_t n = (size_t)w * (size_t)h;
    for (size_t i = 0; i < n; i++)
        of[i] = set[i] ? (int32_t)i : -1;
    for (int sweep = 0; sweep < 2; sweep++) {
        for (size_t k = 0; k < n; k++) {
            size_t i = sweep ? n - 1 - k : k;
            int32_t x = (int32_t)(i % (size_t)w), y = (int32_t)(i / (size_t)w);
            int64_t best = INT64_MAX;
            if (of[i] >= 0) {
                int64_t dx = of[i] % w - x, dy = of[i] / w - y;
                best = dx * dx + dy * dy;
            }
            for (int j = 0; j < 4 && best > 0; j++) {
                int32_t nx = x + (sweep ? -ahead[j][0] : ahead[j][0]),
                        ny = y + (sweep ? -ahead[j][1] : ahead[j][1]);
                if (nx < 0 || ny < 0 || nx >= w || ny >= h) continue;
                int32_t from = of[(size_t)ny * (size_t)w + (size_t)nx];
                if (from < 0) continue;
                int64_t dx = from % w - x, dy = from / w - y;
                if (dx * dx + dy * dy >= best) continue;
                best = dx * dx + dy * dy;
                of[i] = from;
            }
        }
    }
}

struct slab_work {
    uint8_t *own, *unknown;
    int32_t *nearest;
    v4 *rgba;
    float *depth_um;
};

static int32_t bounded(int32_t i, int32_t n)
{
    return i < 0 ? 0 : i >= n ? n - 1 : i;
}

/* One slab's pixels over the whole room. False when it has none. */
static bool cut_slab(const struct painting *p, float from_um, float to_um, bool last, int32_t reach_px,
                     struct slab_work *k)
{
    size_t n = (size_t)p->w * (size_t)p->h;
    bool any = false;
    float lap = OVERLAP * (to_um - from_um);
    for (size_t i = 0; i < n; i++) {
        float z = p->depth_um[i];
        k->own[i] = z >= from_um - lap && (z < to_um || last);
        any = any || k->own[i];
    }
    if (!any) return false;
    find_nearest(k->own, p->w, p->h, k->nearest);
    for (size_t i = 0; i < n; i++) {
        k->rgba[i] = v4_all(0);
        k->unknown[i] = 0;
        int32_t near = k->nearest[i] < 0 ? (int32_t)i : k->nearest[i];
        int32_t x = (int32_t)(i % (size_t)p->w), y = (int32_t)(i / (size_t)p->w), nx = near % p->w,
                ny = near / p->w;
        k->depth_um[i] = p->depth_um[near];
        if (k->own[i]) {
            k->rgba[i] = p->colour[i];
            k->unknown[i] = p->unknown[i];
        } else if (p->depth_um[i] < from_um) {
            /* Hidden: look as far beyond the edge as this lies before it. */
            int64_t far = (int64_t)(nx - x) * (nx - x) + (int64_t)(ny - y) * (ny - y);
            if (far > (int64_t)reach_px * reach_px && !last) continue;
            int32_t mx = bounded(2 * nx - x, p->w), my = bounded(2 * ny - y, p->h);
            size_t m = (size_t)my * (size_t)p->w + (size_t)mx;
            size_t take = k->own[m] ? m : (size_t)near;
            k->rgba[i] = p->colour[take];
            k->depth_um[i] = p->depth_um[take];
            k->unknown[i] = 1;
        }
    }
    return true;
}

/* The smallest rectangle that holds what is covered. */
static struct rect covered(const v4 *rgba, int32_t w, int32_t h)
{
    struct rect r = {w, h, 0, 0};
    for (int32_t y = 0; y < h; y++) {
        for (int32_t x = 0; x < w; x++) {
            if (rgba[(size_t)y * (size_t)w + (size_t)x][3] <= 0) continue;
            if (x < r.x0) r.x0 = x;
            if (y < r.y0) r.y0 = y;
            if (x >= r.x1) r.x1 = x + 1;
            if (y >= r.y1) r.y1 = y + 1;
        }
    }
    return r;
}

static int add_slab(struct scene *scene, const struct painting *p, struct rect room, struct slab_work *k,
                    bool last, struct err *why)
{
    struct rect c = covered(k->rgba, p->w, p->h);
    struct rect at =
        rect_aligned((struct rect){c.x0 + room.x0, c.y0 + room.y0, c.x1 + room.x0, c.y1 + room.y0}, room);
    if (last) at = room;
    int32_t w = at.x1 - at.x0, h = at.y1 - at.y0;
    size_t n = (size_t)w * (size_t)h;
    struct sheet *s = scene_add(scene, why);
    if (!s) return E_NOMEM;
    s->at = at;
    s->room = room;
    s->backdrop = last;
    v4 *rgba = mem_new(n, sizeof *rgba, why);
    float *depth = mem_new(n, sizeof *depth, why);
    uint8_t *unknown = mem_new(n, 1, why);
    int rc = E_NOMEM;
    if (!rgba || !depth || !unknown) goto out;
    for (int32_t y = 0; y < h; y++) {
        size_t from = (size_t)(y + at.y0 - room.y0) * (size_t)p->w + (size_t)(at.x0 - room.x0),
               to = (size_t)y * (size_t)w;
        memcpy(rgba + to, k->rgba + from, (size_t)w * sizeof *rgba);
        memcpy(depth + to, k->depth_um + from, (size_t)w * sizeof *depth);
        memcpy(unknown + to, k->unknown + from, (size_t)w);
    }
    rc = sheet_build(s, rgba, depth, why);
    if (!rc) {
        s->unknown = unknown;
        unknown = NULL;
    }
out:
    mem_free(rgba);
    mem_free(depth);
    mem_free(unknown);
    return rc;
}

static int cut_into_sheets(struct scene *scene, const struct painting *p, const struct scene_frame *f,
                           struct rect room, struct err *why)
{
    size_t n = (size_t)p->w * (size_t)p->h;
    int32_t reach_px = f->width_px / 5;
    struct slab_work k = {mem_new(n, 1, why), mem_new(n, 1, why), mem_new(n, sizeof *k.nearest, why),
                          mem_new(n, sizeof *k.rgba, why), mem_new(n, sizeof *k.depth_um, why)};
    int rc = k.own && k.unknown && k.nearest && k.rgba && k.depth_um ? E_OK : E_NOMEM;
    double slab_um = f->depth_um / SLABS;
    for (int i = 0; i < SLABS && !rc; i++) {
        float from = i == 0 ? -INFINITY : (float)(f->near_um + i * slab_um);
        float to = (float)(f->near_um + (i + 1) * slab_um);
        bool last = i == SLABS - 1;
        if (i == 0) from = (float)f->near_um - 1;
        if (cut_slab(p, from, to, last, reach_px, &k)) rc = add_slab(scene, p, room, &k, last, why);
    }
    mem_free(k.own);
    mem_free(k.unknown);
    mem_free(k.nearest);
    mem_free(k.rgba);
    mem_free(k.depth_um);
    return rc;
}

int scene_picture(struct scene *scene, const struct scene_frame *f, const struct scene_spec *s,
                  struct err *why)
{
    struct source colour = {0}, map = {0};
    struct painting p = {0};
    struct rect room = scene_room(f);
    int rc = source_read_colour(&colour, s->picture, why);
    if (!rc) rc = source_read_numbers(&map, s->depth_map, why);
    if (!rc && (map.width != colour.width || map.height != colour.height))
        rc = fail(why, E_INPUT, "%s: %d x %d, but its picture has %d x %d; both must show the same",
                  s->depth_map, map.width, map.height, colour.width, colour.height);
    if (!rc && known_range(&map).most <= 0)
        rc = fail(why, E_INPUT, "%s: holds no depth at all (only zeros); give a depth map", s->depth_map);
    if (!rc) rc = paint(&p, f, s, room, &colour, &map, why);
    if (!rc) rc = cut_into_sheets(scene, &p, f, room, why);
    painting_clear(&p);
    source_clear(&colour);
    source_clear(&map);
    return rc;
}
