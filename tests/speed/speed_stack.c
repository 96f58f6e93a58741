/* How long a whole simulated stack takes, from plan to the last commit, with two workers. */
#include "tests/support/test.h"

#include <time.h>

#include "tests/support/small.h"

static double now(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

static void measure(const char *name, int width_px, int height_px, int slices, double bound_s)
{
    struct shoot_job job;
    struct run_result r = {0};
    struct err why = {0};
    small_job(name, &(struct small){.width_px = width_px, .height_px = height_px, .slices = slices - 4},
              &job);
    struct shoot_opts o = {.dir = small_path(name), .virtual_clock = true, .workers = 2};
    double began = now();
    int rc = shoot_new(&job, &o, &r, &why);
    double took = now() - began;
    if (rc) fprintf(stderr, "%s\n", why.text);
    printf("{\"what\": \"%d slices of %.2f MP, simulated, two workers\", \"value\": %.2f, \"unit\": \"s\", "
           "\"bound\": %.0f, \"meets\": %s}\n",
           (int)r.kept, width_px * height_px / 1e6, took, bound_s, !rc && took < bound_s ? "true" : "false");
    run_result_clear(&r);
    shoot_job_clear(&job);
}

int main(void)
{
    measure("small", 480, 320, 200, 10);
    measure("large", 1800, 1200, 80, 60);
    return 0;
}
