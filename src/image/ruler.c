#include "image/ruler.h"

#include <math.h>

#include "base/mem.h"
#include "image/ruler_part.h"

#define FIND_SIDE 1536 /* the longer side for the coarse spectrum, about */
#define FIT_PX                                                                                               \
    8.0 /* a period has at least so many samples where phases are taken, if the picture has them             \
         */

int ruler_reduce(const uint8_t *luma, int32_t w, int32_t h, int32_t by, struct ruler_plane *out,
                 struct err *why)
{
    struct ruler_plane p = {.w = w / by, .h = h / by, .by = by};
    double sum = 0;
    p.value = mem_new((size_t)p.w * (size_t)p.h, sizeof *p.value, why);
    if (!p.value) return E_NOMEM;
    for (int32_t y = 0; y < p.h * by; y++)
        for (int32_t x = 0; x < p.w * by; x++)
            p.value[(y / by) * p.w + x / by] += (float)luma[(size_t)y * (size_t)w + (size_t)x];
    const size_t count = (size_t)p.w * (size_t)p.h;
    for (size_t i = 0; i < count; i++)
        sum += (double)(p.value[i] /= (float)(by * by));
    for (size_t i = 0; i < count; i++)
        p.value[i] -= (float)(sum / (double)count);
    *out = p;
    return E_OK;
}

static int find(const uint8_t *luma, int32_t w, int32_t h, struct ruler_tone *per_px, int *count,
                struct err *why)
{
    const int32_t longer = w > h ? w : h;
    struct ruler_plane p;
    int rc = ruler_reduce(luma, w, h, longer / FIND_SIDE > 1 ? longer / FIND_SIDE : 1, &p, why);
    if (rc) return rc;
    rc = ruler_find(&p, per_px, count, why);
    for (int i = 0; !rc && i < *count; i++)
        per_px[i] = (struct ruler_tone){per_px[i].fx / p.by, per_px[i].fy / p.by};
    mem_free(p.value);
    return rc;
}

static int refine(const uint8_t *luma, int32_t w, int32_t h, struct ruler_tone tone, struct ruler *out,
                  struct err *why)
{
    struct ruler_plane p;
    const double period = 1 / hypot(tone.fx, tone.fy);
    const int32_t by = period > 2 * FIT_PX ? (int32_t)(period / FIT_PX) : 1;
    int rc = ruler_reduce(luma, w, h, by, &p, why);
    if (rc) return rc;
    rc = ruler_refine(&p, (struct ruler_tone){tone.fx * by, tone.fy * by}, out, why);
    mem_free(p.value);
    return rc;
}

/* What looks most like marks may be an edge, or a pattern beside them: the first that holds all over counts,
 * and the sentence is about the most likely one. */
int ruler_measure(const uint8_t *luma, int32_t w, int32_t h, struct ruler *out, struct err *why)
{
    struct ruler_tone tones[RULER_TONES_MOST];
    int count = 0;
    if (w < 64 || h < 64)
        return fail(why, E_INPUT, "%d x %d pixels are too few for a ruler; give at least 64 x 64", (int)w,
                    (int)h);
    int rc = find(luma, w, h, tones, &count, why);
    if (rc) return rc;
    rc = refine(luma, w, h, tones[0], out, why);
    for (int i = 1; i < count && rc == E_INPUT; i++)
        if (!refine(luma, w, h, tones[i], out, NULL)) return E_OK;
    return rc;
}
