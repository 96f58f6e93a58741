/* spectrum.c - Fourier transforms for the registration (FFTW, single precision). Planning is not thread-safe
 * there, so one mutex guards it; estimated plans make the results the same every time. */
#include <complex.h>
#include <fftw3.h>
#include <math.h>
#include <pthread.h>
#include <string.h>

#include "base/mem.h"
#include "image/register_part.h"
#include "image/spectrum_lock.h"

#define SIZES_MOST 6
#define SIDE_MOST  4096

struct transform {
    int32_t width, height;
    float *plane;
    float complex *before, *now;
    fftwf_plan forward_before, forward_now, back; /* plane -> before, plane -> now, now -> plane */
};

struct spectrum {
    struct transform sizes[SIZES_MOST];
    int next; /* the one to give up for a new size */
};

static pthread_mutex_t planning = PTHREAD_MUTEX_INITIALIZER;

void spectrum_lock(void)
{
    pthread_mutex_lock(&planning);
}

void spectrum_unlock(void)
{
    pthread_mutex_unlock(&planning);
}

static void clear_transform(struct transform *t)
{
    pthread_mutex_lock(&planning);
    if (t->forward_before) fftwf_destroy_plan(t->forward_before);
    if (t->forward_now) fftwf_destroy_plan(t->forward_now);
    if (t->back) fftwf_destroy_plan(t->back);
    pthread_mutex_unlock(&planning);
    fftwf_free(t->plane);
    fftwf_free(t->before);
    fftwf_free(t->now);
    *t = (struct transform){0};
}

static int make_transform(struct transform *t, int32_t width, int32_t height, struct err *why)
{
    const size_t n = (size_t)width * (size_t)height, m = ((size_t)width / 2 + 1) * (size_t)height;
    t->plane = fftwf_malloc(n * sizeof *t->plane);
    t->before = fftwf_malloc(m * sizeof *t->before);
    t->now = fftwf_malloc(m * sizeof *t->now);
    if (t->plane && t->before && t->now) {
        pthread_mutex_lock(&planning);
        t->forward_before = fftwf_plan_dft_r2c_2d(height, width, t->plane, t->before, FFTW_ESTIMATE);
        t->forward_now = fftwf_plan_dft_r2c_2d(height, width, t->plane, t->now, FFTW_ESTIMATE);
        t->back = fftwf_plan_dft_c2r_2d(height, width, t->now, t->plane, FFTW_ESTIMATE);
        pthread_mutex_unlock(&planning);
    }
    if (!t->forward_before || !t->forward_now || !t->back) {
        clear_transform(t);
        return fail(why, E_NOMEM, "no memory for a transform of %d x %d; close other programs", (int)width,
                    (int)height);
    }
    t->width = width;
    t->height = height;
    return E_OK;
}

static struct transform *get_transform(struct spectrum *s, int32_t width, int32_t height, struct err *why)
{
    for (int i = 0; i < SIZES_MOST; i++)
        if (s->sizes[i].width == width && s->sizes[i].height == height) return &s->sizes[i];
    struct transform *t = &s->sizes[s->next];
    s->next = (s->next + 1) % SIZES_MOST;
    clear_transform(t);
    return make_transform(t, width, height, why) ? NULL : t;
}

struct spectrum *spectrum_new(struct err *why)
{
    return mem_new(1, sizeof(struct spectrum), why);
}

void spectrum_free(struct spectrum *s)
{
    for (int i = 0; s && i < SIZES_MOST; i++)
        clear_transform(&s->sizes[i]);
    mem_free(s);
}

static int check_sides(int32_t width, int32_t height, struct err *why)
{
    if (width < 2 || height < 2 || width > SIDE_MOST || height > SIDE_MOST)
        return fail(why, E_INPUT, "%d x %d samples cannot be transformed; give 2 to %d a side", (int)width,
                    (int)height, SIDE_MOST);
    return E_OK;
}

/* now <- F(now) conj(F(before)) / |.|, then transformed back with unit gain. */
static void correlate(struct transform *t, float soften, float *out)
{
    const size_t n = (size_t)t->width * (size_t)t->height, m = ((size_t)t->width / 2 + 1) * (size_t)t->height;
    float *absolute = t->plane; /* free until it is filled again */
    double mean = 0;
    for (size_t i = 0; i < m; i++) {
        t->now[i] *= conjf(t->before[i]);
        absolute[i] = cabsf(t->now[i]);
        mean += (double)absolute[i];
    }
    const float extra = (float)(mean / (double)m) * soften;
    for (size_t i = 0; i < m; i++) {
        const float size = absolute[i] + extra;
        t->now[i] = size > 0 ? t->now[i] / size : 0;
    }
    fftwf_execute(t->back);
    for (size_t i = 0; i < n; i++)
        out[i] = t->plane[i] / (float)n;
}

int spectrum_phase_correlation(struct spectrum *s, int32_t width, int32_t height, const float *before,
                               const float *now, float soften, float *out, struct err *why)
{
    int rc = check_sides(width, height, why);
    if (rc) return rc;
    struct transform *t = get_transform(s, width, height, why);
    if (!t) return E_NOMEM;
    const size_t bytes = (size_t)width * (size_t)height * sizeof *t->plane;
    memcpy(t->plane, before, bytes);
    fftwf_execute(t->forward_before);
    memcpy(t->plane, now, bytes);
    fftwf_execute(t->forward_now);
    correlate(t, soften, out);
    return E_OK;
}

int spectrum_autocorrelation(struct spectrum *s, int32_t width, int32_t height, const float *plane,
                             float *out, struct err *why)
{
    int rc = check_sides(width, height, why);
    if (rc) return rc;
    struct transform *t = get_transform(s, width, height, why);
    if (!t) return E_NOMEM;
    const size_t n = (size_t)width * (size_t)height, m = ((size_t)width / 2 + 1) * (size_t)height;
    memcpy(t->plane, plane, n * sizeof *t->plane);
    fftwf_execute(t->forward_now);
    for (size_t i = 0; i < m; i++)
        t->now[i] *= conjf(t->now[i]);
    fftwf_execute(t->back);
    const float top = t->plane[0];
    for (size_t i = 0; i < n; i++)
        out[i] = top > 0 ? t->plane[i] / top : 0;
    return E_OK;
}
