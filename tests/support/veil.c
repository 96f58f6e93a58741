#include "tests/support/veil.h"

#include <string.h>

#include "base/mem.h"
#include "image/decode.h"
#include "tests/support/picture.h"
#include "tests/support/test.h"

/* IEC 61966-2-1, from memory. */
static double linear(uint8_t code)
{
    const double v = code / 255.0;
    return v <= 0.04045 ? v / 12.92 : pow((v + 0.055) / 1.055, 2.4);
}

static uint8_t coded(double light)
{
    if (light >= 1) return 255;
    const double v = light <= 0.0031308 ? 12.92 * light : 1.055 * pow(light, 1 / 2.4) - 0.055;
    return (uint8_t)lround(255 * fmax(v, 0));
}

struct plane {
    int32_t w, h;
    double *v;
};

static struct plane plane_new(int32_t w, int32_t h)
{
    return (struct plane){w, h, mem_new((size_t)w * (size_t)h, sizeof(double), NULL)};
}

/* A point of the frame that is focused at 0, in the one focused at at_nm. */
static double grown(const struct shoot *s, int64_t at_nm)
{
    return exp((double)at_nm / (s->view_mm * 1e6));
}

static double blur_radius(const struct shoot *s, double at_nm, double of_nm)
{
    return fmax(0.5, s->blur_px_per_nm * fabs(at_nm - of_nm) / 2);
}

/* Means over discs, a row of the disc at a time, from running sums; what lies outside is what the edge is. */
static void blur(struct plane *p, double radius)
{
    if (radius < 0.7) return;
    struct plane out = plane_new(p->w, p->h);
    double *sum = mem_new((size_t)p->w + 1, sizeof *sum, NULL);
    const int32_t reach = (int32_t)floor(radius);
    double area = 0;
    for (int32_t dy = -reach; dy <= reach; dy++)
        area += 2 * floor(sqrt(radius * radius - dy * dy)) + 1;
    for (int32_t from = -reach; from < p->h + reach; from++) {
        const int32_t row = from < 0 ? 0 : from >= p->h ? p->h - 1 : from;
        for (int32_t x = 0; x < p->w; x++)
            sum[x + 1] = sum[x] + p->v[(size_t)row * (size_t)p->w + (size_t)x];
        for (int32_t dy = -reach; dy <= reach; dy++) {
            const int32_t y = from + dy, half = (int32_t)floor(sqrt(radius * radius - dy * dy));
            if (y < 0 || y >= p->h) continue;
            for (int32_t x = 0; x < p->w; x++) {
                const int32_t a = x - half > 0 ? x - half : 0, b = x + half < p->w - 1 ? x + half : p->w - 1;
                const double mean = (sum[b + 1] - sum[a]) / (b + 1 - a);
                out.v[(size_t)y * (size_t)p->w + (size_t)x] += mean * (2 * half + 1) / area;
            }
        }
    }
    mem_free(sum);
    mem_free(p->v);
    *p = out;
}

static struct plane wing(const struct veil *veil, int32_t w, int32_t h, int64_t at_nm)
{
    struct plane p = plane_new(w, h);
    const double scale = grown(veil->s, at_nm);
    for (int32_t y = 0; y < h; y++)
        for (int32_t x = 0; x < w; x++)
            p.v[(size_t)y * (size_t)w + (size_t)x] =
                1 - veil->strength * veil->taken((x + 0.5 - w / 2.0) / scale + w / 2.0,
                                                 (y + 0.5 - h / 2.0) / scale + h / 2.0);
    blur(&p, blur_radius(veil->s, (double)at_nm, veil->at_nm));
    return p;
}

/* Its light, spread over the disc. */
static void add_glint(struct plane *p, const struct veil *veil, const struct glint *g, int64_t at_nm)
{
    const double r = fmax(0.8, blur_radius(veil->s, (double)at_nm, g->at_nm));
    const double scale = grown(veil->s, at_nm), steps = (double)at_nm / (double)veil->s->spacing_nm;
    const double cx = (g->x_px + g->wander_px * steps - p->w / 2.0) * scale + p->w / 2.0;
    const double cy = (g->y_px - p->h / 2.0) * scale + p->h / 2.0;
    for (int32_t y = (int32_t)floor(cy - r - 1); y <= (int32_t)ceil(cy + r + 1); y++)
        for (int32_t x = (int32_t)floor(cx - r - 1); x <= (int32_t)ceil(cx + r + 1); x++) {
            if (x < 0 || y < 0 || x >= p->w || y >= p->h) continue;
            const double in = fmin(fmax(r + 0.5 - hypot(x + 0.5 - cx, y + 0.5 - cy), 0), 1);
            p->v[(size_t)y * (size_t)p->w + (size_t)x] += in * g->light * 3.14 / (M_PI * r * r);
        }
}

static void lay_over(void *arg, const struct shoot_frame *f, uint8_t **bytes, size_t *count)
{
    const struct veil *veil = arg;
    struct image_rgb image;
    struct err why = {0};
    if (image_decode_rgb("frame", *bytes, *count, 0, &image, &why)) fail_msg("%s", why.text);
    const int32_t w = image.width_px, h = image.height_px;
    struct plane left = veil->taken ? wing(veil, w, h, f->at_nm) : plane_new(w, h), more = plane_new(w, h);
    for (int32_t i = 0; i < veil->glints; i++)
        add_glint(&more, veil, &veil->glint[i], f->at_nm);
    for (size_t i = 0; i < 3 * (size_t)w * (size_t)h; i++)
        image.rgb[i] = coded(linear(image.rgb[i]) * (veil->taken ? left.v[i / 3] : 1) + more.v[i / 3]);
    const struct bytes made = jpeg_make(image.rgb, w, h, &(struct jpeg_how){.quality = 95, .h = 1, .v = 1});
    mem_free(*bytes);
    *bytes = mem_new(made.n, 1, NULL);
    memcpy(*bytes, made.p, made.n);
    *count = made.n;
    free(made.p);
    mem_free(left.v);
    mem_free(more.v);
    image_rgb_clear(&image);
}

void veil_on(struct shoot *s, struct veil *veil)
{
    veil->s = s;
    s->touch = lay_over;
    s->touch_arg = veil;
}
