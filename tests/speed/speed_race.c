/* A large frame's way from its bytes to what is kept of it, raced against a general-purpose library (OpenCV)
 * on the same bytes in the same run. Each figure is a ratio of medians of alternating laps: of the time that
 * the one thread was busy, or, where several are at work, of the time that it took. */
#include "tests/support/test.h"

#include <pthread.h>
#include <time.h>

#include "image/measure.h"
#include "image/measure_io.h"
#include "tests/peer/opencv_frame.h"
#include "tests/support/picture.h"

#define PHOTO    "/usr/share/doc/opencv-doc/examples/data/aloeL.jpg"
#define FRAMES   3
#define LAPS     9
#define SOFT_PX  5 /* the blur of what is out of focus */
#define SHARP_OF 3 /* one of so many pieces of the picture is in focus */
#define NOISE    3 /* code values, peak */

struct race {
    int32_t width, height;
    struct bytes frame[FRAMES];
};

static double seconds(clockid_t clock)
{
    struct timespec t;
    clock_gettime(clock, &t);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

static int by_value(const void *a, const void *b)
{
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static double median(double *laps)
{
    qsort(laps, LAPS, sizeof *laps, by_value);
    return laps[LAPS / 2];
}

static int32_t folded(int32_t at, int32_t side)
{
    const int32_t turn = at % (2 * side);
    return turn < side ? turn : 2 * side - 1 - turn;
}

/* Every piece is the photograph, mirrored from piece to piece; a third of them as it is, the rest blurred. */
static void paint(const struct image_rgb *sharp, const struct image_rgb *soft, int32_t width, int32_t height,
                  int32_t shift, uint8_t *out)
{
    uint32_t noise = 12345;
    for (int32_t y = 0; y < height; y++)
        for (int32_t x = 0; x < width; x++) {
            const int32_t u = x + 2 * shift, v = y + shift;
            const bool in_focus = (u / 512 + v / 512) % SHARP_OF == 0;
            const struct image_rgb *from = in_focus ? sharp : soft;
            const uint8_t *p = from->rgb + 3 * ((size_t)folded(v, from->height_px) * (size_t)from->width_px +
                                                (size_t)folded(u, from->width_px));
            noise = noise * 1664525 + 1013904223;
            const int n = (int)(noise >> 16) % (2 * NOISE + 1) - NOISE;
            for (int c = 0; c < 3; c++) {
                const int value = p[c] + n;
                *out++ = (uint8_t)(value < 0 ? 0 : value > 255 ? 255 : value);
            }
        }
}

static void soften(const struct image_rgb *sharp, struct image_rgb *soft)
{
    const int32_t w = sharp->width_px, h = sharp->height_px;
    *soft = *sharp;
    soft->rgb = malloc((size_t)w * (size_t)h * 3);
    for (int32_t y = 0; y < h; y++)
        for (int32_t x = 0; x < w; x++)
            for (int c = 0; c < 3; c++) {
                int sum = 0, n = 0;
                for (int32_t v = y - SOFT_PX; v <= y + SOFT_PX; v++)
                    for (int32_t u = x - SOFT_PX; u <= x + SOFT_PX; u++)
                        if (v >= 0 && u >= 0 && v < h && u < w) {
                            sum += sharp->rgb[3 * ((size_t)v * (size_t)w + (size_t)u) + (size_t)c];
                            n++;
                        }
                soft->rgb[3 * ((size_t)y * (size_t)w + (size_t)x) + (size_t)c] = (uint8_t)(sum / n);
            }
}

static struct bytes read_all(const char *path)
{
    struct bytes b = {malloc(16 << 20), 0};
    FILE *f = fopen(path, "rb");
    if (f) {
        b.n = fread(b.p, 1, 16 << 20, f);
        fclose(f);
    }
    return b;
}

static bool make_race(int32_t width, int32_t height, struct race *r)
{
    struct image_rgb sharp = {0}, soft = {0};
    struct err why;
    struct bytes photo = read_all(PHOTO);
    if (image_decode_rgb("aloeL.jpg", photo.p, photo.n, 0, &sharp, &why)) {
        fprintf(stderr, "%s\n", why.text);
        free(photo.p);
        return false;
    }
    soften(&sharp, &soft);
    uint8_t *rgb = malloc((size_t)width * (size_t)height * 3);
    *r = (struct race){.width = width, .height = height};
    for (int i = 0; i < FRAMES; i++) {
        paint(&sharp, &soft, width, height, i, rgb);
        r->frame[i] = jpeg_make(rgb, width, height, &(struct jpeg_how){.quality = 92, .h = 2, .v = 1});
    }
    fprintf(stderr, "a frame of %d x %d: %.1f MB\n", (int)width, (int)height, (double)r->frame[0].n / 1e6);
    free(rgb);
    free(soft.rgb);
    image_rgb_clear(&sharp);
    free(photo.p);
    return true;
}

static void end_race(struct race *r)
{
    for (int i = 0; i < FRAMES; i++)
        free(r->frame[i].p);
}

/* One worker of ours, and one of theirs. */
struct worker {
    const struct race *race;
    struct measure_space *space;
    struct register_view *before;
    struct peer *peer;
};

static void our_frame(struct worker *w, int i)
{
    struct frame_measure m = {0};
    struct register_view *view = NULL;
    struct err why;
    const struct bytes *b = &w->race->frame[i % FRAMES];
    if (measure_frame(w->space, "frame", b->p, b->n, w->before, &m, &view, NULL, &why)) {
        fprintf(stderr, "%s\n", why.text);
        exit(1);
    }
    register_view_free(w->before);
    w->before = view;
    frame_measure_clear(&m);
}

static void peers_frame(struct worker *w, int i)
{
    const struct bytes *b = &w->race->frame[i % FRAMES];
    peer_frame(w->peer, b->p, b->n);
}

static void peers_decode(struct worker *w, int i)
{
    const struct bytes *b = &w->race->frame[i % FRAMES];
    peer_decode(w->peer, b->p, b->n);
}

static void peers_plain(struct worker *w, int i)
{
    const struct bytes *b = &w->race->frame[i % FRAMES], *before = &w->race->frame[(i + FRAMES - 1) % FRAMES];
    peer_frame_plain(b->p, b->n, before->p, before->n);
}

typedef void lap_fn(struct worker *, int);

struct runner {
    struct worker *worker;
    lap_fn *lap;
    int frame;
    double busy_s;
};

static void *run(void *arg)
{
    struct runner *r = arg;
    const double began = seconds(CLOCK_THREAD_CPUTIME_ID);
    r->lap(r->worker, r->frame);
    r->busy_s = seconds(CLOCK_THREAD_CPUTIME_ID) - began;
    return NULL;
}

/* A lap on so many workers at once: how long it took, or how long its one thread was busy. */
static double lap(struct worker *workers, int count, lap_fn *fn, int frame, bool busy)
{
    pthread_t thread[2];
    struct runner runner[2];
    const double began = seconds(CLOCK_MONOTONIC);
    for (int i = 0; i < count; i++) {
        runner[i] = (struct runner){&workers[i], fn, frame + i, 0};
        pthread_create(&thread[i], NULL, run, &runner[i]);
    }
    for (int i = 0; i < count; i++)
        pthread_join(thread[i], NULL);
    return busy ? runner[0].busy_s : seconds(CLOCK_MONOTONIC) - began;
}

static void tell(const char *what, double mp, double value, const char *bound, bool meets)
{
    printf(
        "{\"what\": \"%s, %.0f MP\", \"value\": %.2f, \"unit\": \"times\", \"bound\": %s, \"meets\": %s}\n",
        what, mp, value, bound, meets ? "true" : "false");
}

enum { OURS, THEIRS, DECODE, OURS_TWO, THEIRS_TWO, OURS_WALL, PLAIN, KINDS };

static void hold_race(int32_t width, int32_t height)
{
    static const struct {
        lap_fn *fn;
        int workers, threads;
        bool busy;
    } kind[KINDS] = {{our_frame, 1, 1, true},   {peers_frame, 1, 1, true},  {peers_decode, 1, 1, true},
                     {our_frame, 2, 1, false},  {peers_frame, 2, 1, false}, {our_frame, 1, 1, false},
                     {peers_plain, 1, 2, false}};
    struct race race;
    struct worker worker[2] = {0};
    double laps[KINDS][LAPS], took[KINDS];
    struct err why;
    if (!make_race(width, height, &race)) return;
    for (int i = 0; i < 2; i++)
        worker[i] = (struct worker){&race, measure_space_new(&why), NULL, peer_new()};
    for (int n = -1; n < LAPS; n++) /* the first one warms up */
        for (int k = 0; k < KINDS; k++) {
            peer_threads(kind[k].threads);
            const double t = lap(worker, kind[k].workers, kind[k].fn, n + 1, kind[k].busy);
            if (n >= 0) laps[k][n] = t;
        }
    for (int k = 0; k < KINDS; k++)
        took[k] = median(laps[k]);
    const double mp = width * (double)height / 1e6;
    fprintf(stderr,
            "%.0f MP, ms: ours %.0f, peer %.0f, its decode %.0f, two at once %.0f and %.0f, plain %.0f\n", mp,
            took[OURS] * 1e3, took[THEIRS] * 1e3, took[DECODE] * 1e3, took[OURS_TWO] * 1e3,
            took[THEIRS_TWO] * 1e3, took[PLAIN] * 1e3);
    tell("a frame over the gray decode alone", mp, took[OURS] / took[DECODE], "1.25",
         took[OURS] <= 1.25 * took[DECODE]);
    tell("the tuned peer over ours", mp, took[THEIRS] / took[OURS], "1.6", took[THEIRS] >= 1.6 * took[OURS]);
    tell("the same, two at once", mp, took[THEIRS_TWO] / took[OURS_TWO], "1.6",
         took[THEIRS_TWO] >= 1.6 * took[OURS_TWO]);
    tell("a plain script's peer over ours", mp, took[PLAIN] / took[OURS_WALL], "4",
         took[PLAIN] >= 4 * took[OURS_WALL]);
    for (int i = 0; i < 2; i++) {
        register_view_free(worker[i].before);
        measure_space_free(worker[i].space);
        peer_free(worker[i].peer);
    }
    end_race(&race);
}

int main(void)
{
    hold_race(6000, 4000);
    hold_race(8192, 5464);
    return 0;
}
