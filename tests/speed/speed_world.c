/* What a frame of the simulated camera costs: processor time at two sizes, and what a second thread saves. */
#include "tests/support/test.h"

#include <time.h>

#include "base/mem.h"
#include "tests/support/bench_scene.h"

static double seconds(clockid_t which)
{
    struct timespec t;
    clock_gettime(which, &t);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

/* Mean over the depth of the clock movement, near to far; the best of three runs each. */
static double frame_seconds(struct bench_scene *b, int threads, clockid_t which)
{
    enum { PLACES = 9 };
    double sum = 0;
    for (int i = 0; i < PLACES; i++) {
        struct shot s = bench_scene_shot(b, 3400000 / (PLACES - 1) * i);
        double best = 1e9;
        for (int turn = 0; turn < 3; turn++) {
            uint8_t *jpeg = NULL;
            size_t count;
            double began = seconds(which);
            if (world_render(b->world, &s, threads, &jpeg, &count, NULL)) return NAN;
            best = fmin(best, seconds(which) - began);
            mem_free(jpeg);
        }
        sum += best;
    }
    return sum / PLACES;
}

static struct bench_scene clock_bench(int32_t width_px, int32_t height_px)
{
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, width_px, height_px, 24000.0 / width_px);
    b.scene.depth_nm = 3400000;
    b.scene.noise = 0;
    b.ideal = false;
    bench_scene_open(&b);
    return b;
}

static void say(const char *what, double value, const char *unit, double bound)
{
    printf("{\"what\": \"%s\", \"value\": %.3f, \"unit\": \"%s\", \"bound\": %.3f, \"meets\": %s}\n", what,
           value, unit, bound, value <= bound ? "true" : "false");
}

int main(void)
{
    struct bench_scene small = clock_bench(480, 320), large = clock_bench(1800, 1200);
    say("a simulated frame of 2.16 MP, processor time", frame_seconds(&large, 1, CLOCK_PROCESS_CPUTIME_ID),
        "s", 0.4);
    say("a simulated frame of 0.15 MP, processor time",
        1000 * frame_seconds(&small, 1, CLOCK_PROCESS_CPUTIME_ID), "ms", 25);
    double one = frame_seconds(&large, 1, CLOCK_MONOTONIC), two = frame_seconds(&large, 2, CLOCK_MONOTONIC);
    say("a simulated frame on two threads, share of its time on one", two / one, "", 1 / 1.7);
    bench_scene_close(&small);
    bench_scene_close(&large);
    return 0;
}
