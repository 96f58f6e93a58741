/* truth.c - what a perfect lens would see: no blur, no noise. For tests. */
#include <math.h>

#include "sim/inside.h"

/* The sheet that a ray through a pixel meets first, from sheet `from` on: its index, or -1. */
static int32_t first_hit(const struct world *w, const struct view *v, int32_t from, double px, double py,
                         double *depth_um)
{
    for (int32_t i = from; i < w->subject->scene.count; i++) {
        const struct sheet *s = &w->subject->scene.sheets[i];
        double x, y, z = sheet_depth_um(s, 0, px, py);
        view_place(v, s, 0, px, py, &z, &x, &y);
        view_place(v, s, 0, px, py, &z, &x, &y);
        if (sheet_colour(s, 0, x, y)[3] < 0.5f) continue;
        *depth_um = sheet_unknown(s, x, y) ? NAN : z;
        return i;
    }
    return -1;
}

void world_truth_focus(const struct world *w, int64_t at_nm, int layer, float *out)
{
    struct view v = view_at(w, (double)at_nm / 1000, 0, 0);
    for (int32_t py = 0; py < w->camera.height_px; py++) {
        for (int32_t px = 0; px < w->camera.width_px; px++) {
            double z = NAN;
            int32_t hit = first_hit(w, &v, 0, px, py, &z);
            if (layer == 1) {
                bool thin = hit >= 0 && w->subject->scene.sheets[hit].thin;
                z = NAN;
                if (thin) hit = first_hit(w, &v, hit + 1, px, py, &z);
            }
            /* In focus when nothing lies between it and the curved plane of focus. */
            double at_um = hit < 0 ? NAN : z + view_behind_um(&v, px, py, v.focus_um);
            *out++ = layer > 1 ? NAN : (float)(at_um * 1000);
        }
    }
}

void world_truth_sharp(const struct world *w, int64_t at_nm, float *rgb_out)
{
    struct view v = view_at(w, (double)at_nm / 1000, 0, 0);
    for (int32_t py = 0; py < w->camera.height_px; py++) {
        for (int32_t px = 0; px < w->camera.width_px; px++, rgb_out += 3) {
            v4 sum = v4_all(0);
            float through = 1;
            for (int32_t i = 0; i < w->subject->scene.count && through > 1e-3f; i++) {
                const struct sheet *s = &w->subject->scene.sheets[i];
                double x, y, z = sheet_depth_um(s, 0, px, py);
                view_place(&v, s, 0, px, py, &z, &x, &y);
                view_place(&v, s, 0, px, py, &z, &x, &y);
                v4 c = sheet_colour(s, 0, x, y);
                sum += v4_all(through) * c;
                through *= 1 - c[3];
            }
            for (int i = 0; i < 3; i++)
                rgb_out[i] = fmaxf(fminf(sum[i], 1), 0);
        }
    }
}
