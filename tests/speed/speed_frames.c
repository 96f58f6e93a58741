/* A stack of large frames through `staddle import` and `staddle check`, as a person types them, each in a
 * process of its own: is the time per frame the same for 300 frames as for 10, is the memory, and does the
 * verdict of frames that are measured already come within 3 s? */
#include "tests/support/test.h"

#include <fcntl.h>
#include <stdbool.h>
#include <sys/resource.h>
#include <sys/statvfs.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "tests/support/picture.h"
#include "tests/support/photo.h"
#include "tests/support/shell.h"

#define WIDTH    6000
#define HEIGHT   4000
#define FRAMES   300
#define PIECE_PX 400 /* the subject's pieces lie at different depths */
#define SOFT     5   /* degrees of blur that are kept ready */
#define NOISE    3   /* code values, peak */
#define ROOM_GB  8

/* The photograph at degrees of blur, each 1.5 px more than the one before it. */
struct subject {
    struct photo soft[SOFT];
};

static int32_t folded(int32_t at, int32_t side)
{
    const int32_t turn = at % (2 * side);
    return turn < side ? turn : 2 * side - 1 - turn;
}

/* Depth of a piece, 0..1: a slope with steps. */
static double depth_of(int32_t u, int32_t v)
{
    const uint32_t h = ((uint32_t)u * 2654435761u) ^ ((uint32_t)v * 2246822519u);
    return ((double)(u + v) / (WIDTH / PIECE_PX + HEIGHT / PIECE_PX) * 3 + (double)(h >> 16) / 65536) / 4;
}

static void paint(const struct subject *s, double focus, uint32_t seed, uint8_t *rgb)
{
    for (int32_t y = 0; y < HEIGHT; y++)
        for (int32_t x0 = 0; x0 < WIDTH; x0 += PIECE_PX) {
            const double away = fabs(depth_of(x0 / PIECE_PX, y / PIECE_PX) - focus) * 40;
            const struct photo *p = &s->soft[away > SOFT - 1 ? SOFT - 1 : (int)away];
            const float *row = p->gray + (size_t)folded(y, p->height) * (size_t)p->width;
            for (int32_t x = x0; x < x0 + PIECE_PX && x < WIDTH; x++) {
                seed = seed * 1664525 + 1013904223;
                const int n = (int)(seed >> 16) % (2 * NOISE + 1) - NOISE;
                const int v = (int)row[folded(x, p->width)] + n, c = v < 0 ? 0 : v > 255 ? 255 : v;
                *rgb++ = (uint8_t)c;
                *rgb++ = (uint8_t)(c * 7 / 8);
                *rgb++ = (uint8_t)(c * 3 / 4);
            }
        }
}

/* Every second frame, in a process of its own. */
static void make_frames(const struct subject *s, int first)
{
    uint8_t *rgb = malloc((size_t)WIDTH * HEIGHT * 3);
    for (int i = first; i < FRAMES; i += 2) {
        paint(s, (double)i / (FRAMES - 1), (uint32_t)i, rgb);
        struct bytes b = jpeg_make(rgb, WIDTH, HEIGHT, &(struct jpeg_how){.quality = 92, .h = 2, .v = 1});
        FILE *f = fopen(in_folder("all/f%03d.jpg", i), "wb");
        if (!f || fwrite(b.p, 1, b.n, f) != b.n || fclose(f)) _exit(1);
        free(b.p);
    }
    free(rgb);
}

static bool make_stacks(void)
{
    struct subject s = {{photo_load("aloeL.jpg")}};
    for (int i = 1; i < SOFT; i++)
        s.soft[i] = photo_disc_blur(&s.soft[0], 1.5 * i);
    pid_t child = fork();
    if (child == 0) {
        make_frames(&s, 1);
        _exit(0);
    }
    make_frames(&s, 0);
    int status = 1;
    waitpid(child, &status, 0);
    for (int i = 0; i < SOFT; i++)
        photo_free(&s.soft[i]);
    return status == 0;
}

struct took {
    double wall_s, peak_mb;
    int status;
};

static double seconds(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

static struct took run(char *const argv[])
{
    const double began = seconds();
    const pid_t child = fork();
    if (child == 0) {
        const int nowhere = open("/dev/null", O_WRONLY);
        dup2(nowhere, 1);
        execv(argv[0], argv);
        _exit(127);
    }
    struct rusage use;
    int status;
    wait4(child, &status, 0, &use);
    return (struct took){seconds() - began, (double)use.ru_maxrss / 1024,
                         WIFEXITED(status) ? WEXITSTATUS(status) : -1};
}

/* What a stack of so many frames takes: to import, to measure and judge, to judge alone. */
struct stack_took {
    int frames;
    struct took import, measure, judge;
};

static bool good(const struct took *t)
{
    return t->status == 0 || t->status == 1;
}

/* Frames spread evenly over the depth; the same files, linked. */
static bool run_stack(int frames, struct stack_took *out)
{
    char card[64], stack[64];
    snprintf(card, sizeof card, "card%d", frames);
    snprintf(stack, sizeof stack, "stack%d", frames);
    if (in_shell("rm -rf %s %s && mkdir %s", card, stack, card)) return false;
    for (int i = 0; i < frames; i++)
        if (link(in_folder("all/f%03d.jpg", i * (FRAMES - 1) / (frames - 1)),
                 in_folder("%s/f%03d.jpg", card, i)))
            return false;
    char program[512], from[512], to[512];
    snprintf(program, sizeof program, "%s", staddle_program());
    snprintf(from, sizeof from, "%s", in_folder("%s", card));
    snprintf(to, sizeof to, "%s", in_folder("%s", stack));
    *out = (struct stack_took){.frames = frames};
    out->import = run((char *[]){program, "import", from, "--order", "near-first", "--stack", to, NULL});
    out->measure = run((char *[]){program, "check", to, NULL});
    out->judge = run((char *[]){program, "check", to, NULL});
    fprintf(stderr,
            "%d frames: import %.2f s, %.0f MB; measure and judge %.2f s, %.0f MB; judge %.2f s, %.0f MB\n",
            frames, out->import.wall_s, out->import.peak_mb, out->measure.wall_s, out->measure.peak_mb,
            out->judge.wall_s, out->judge.peak_mb);
    return good(&out->import) && good(&out->measure) && good(&out->judge);
}

static void tell(const char *what, double value, const char *unit, double bound)
{
    printf("{\"what\": \"%s\", \"value\": %.2f, \"unit\": \"%s\", \"bound\": %.2f, \"meets\": %s}\n", what,
           value, unit, bound, value <= bound ? "true" : "false");
}

static double peak(const struct stack_took *s)
{
    return fmax(s->import.peak_mb, fmax(s->measure.peak_mb, s->judge.peak_mb));
}

/* To import and to measure; the verdict has a line of its own. */
static double per_frame(const struct stack_took *s)
{
    return (s->import.wall_s + s->measure.wall_s - s->judge.wall_s) / s->frames;
}

int main(void)
{
    setenv("TMPDIR", "/tmp", 0); /* a disk, not memory */
    struct statvfs disk;
    if (statvfs(test_folder(), &disk) || (double)disk.f_bavail * (double)disk.f_frsize < ROOM_GB * 1e9) {
        fprintf(stderr, "no room of %d GB for a stack of %d large frames; not measured\n", ROOM_GB, FRAMES);
        return 1;
    }
    struct stack_took few, many, all;
    if (in_shell("mkdir -p all") || !make_stacks() || !run_stack(10, &few) || !run_stack(100, &many) ||
        !run_stack(FRAMES, &all)) {
        fprintf(stderr, "a stack of large frames could not be made, imported or checked: %s\n", shell_err());
        return 1;
    }
    tell("24 MP, time per frame at 300 frames over that at 10, import and check",
         per_frame(&all) / per_frame(&few), "times", 1.1);
    tell("24 MP, the same over that at 100", per_frame(&all) / per_frame(&many), "times", 1.1);
    tell("24 MP, peak memory at 300 frames over that at 10", peak(&all) / peak(&few), "times", 1.05);
    tell("24 MP, verdict of 100 measured frames", many.judge.wall_s, "s", 3);
    tell("24 MP, verdict of 300 measured frames", all.judge.wall_s, "s", 3);
    return 0;
}
