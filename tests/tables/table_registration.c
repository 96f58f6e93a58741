/* How far off the registration is: photographs of opencv-doc (a check package), moved and grown by known
 * amounts (tests/support/moved.h). Prints the table of DEVELOPERS.md. */
#include "tests/support/test.h"

#include <stdbool.h>

#include "tests/support/moved.h"
#include "tests/support/registered.h"

#define SHIFT_MOST 20 /* px, along each axis */
#define MARGIN     40 /* what lies around the picture, so that no border moves in */
#define EDGE_PX    6  /* over which the textured part fades into the flat */

struct situation {
    const char *name;
    double sigma_before, sigma_now; /* of the blur, px */
    double grown_most;              /* scale 1 -+ that */
    double noise, gain;             /* code values; of the second picture's light */
    double textured;                /* share of the area, the rest is flat; 0: all */
    int32_t width, height;          /* of a patchwork of the photographs; 0: each as it is */
    bool by_fourier;
};

static const struct situation situations[] = {
    {.name = "sharp, moved by Fourier", .by_fourier = true},
    {.name = "sharp, moved and grown", .grown_most = 0.02},
    {.name = "both blurred by 3 px", .sigma_before = 3, .sigma_now = 3, .grown_most = 0.004},
    {.name = "blurred by 1 and by 2 px", .sigma_before = 1, .sigma_now = 2, .grown_most = 0.004},
    {.name = "sharp, 1 % noise, half a stop less light", .grown_most = 0.004, .noise = 2.55, .gain = 0.7},
    {.name = "blurred by 3 px, 1 % noise, half a stop less light",
     .sigma_before = 3,
     .sigma_now = 3,
     .grown_most = 0.004,
     .noise = 2.55,
     .gain = 0.7},
    {.name = "a tenth textured, sharp", .grown_most = 0.004, .noise = 1, .textured = 0.1},
    {.name = "a tenth textured, blurred by 3 px",
     .sigma_before = 3,
     .sigma_now = 3,
     .grown_most = 0.004,
     .noise = 1,
     .textured = 0.1},
    {.name = "24 MP, sharp", .grown_most = 0.004, .noise = 1, .width = 6000, .height = 4000},
    {.name = "24 MP, blurred by 3 px",
     .sigma_before = 3,
     .sigma_now = 3,
     .grown_most = 0.004,
     .noise = 1,
     .width = 6000,
     .height = 4000},
    {.name = "24 MP, a tenth textured",
     .grown_most = 0.004,
     .noise = 1,
     .textured = 0.1,
     .width = 6000,
     .height = 4000},
};

static const char *const names[] = {"aloeL.jpg",        "leuvenA.jpg", "building.jpg",
                                    "starry_night.jpg", "stuff.jpg",   "baboon.jpg"};

#define PHOTOGRAPHS ((int)(sizeof names / sizeof *names))
#define MOVES       3 /* of each photograph */
#define PATCHWORKS  3

/* What is found of a situation. */
struct tally {
    int pairs, good;
    double centre, corner, worst; /* sums of squares, px^2; px */
};

/* The same by confidence, of all pairs but those of patchworks, whose pixels are others. */
static const double band[] = {0, 0.4, 0.6, 0.8, 1.01};
#define BANDS ((int)(sizeof band / sizeof *band) - 1)
static struct tally by_confidence[BANDS];

/* SplitMix64 (Steele, Lea, Flood 2014, from memory), -1..1 */
static double uniform(uint64_t *state)
{
    uint64_t z = *state += 0x9E3779B97F4A7C15u;
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return (double)((z ^ (z >> 31)) >> 10) / 9007199254740992.0 - 1;
}

static double ramp(double from_edge)
{
    const double u = fmin(fmax(from_edge / EDGE_PX, 0), 1);
    return u * u * (3 - 2 * u);
}

/* Flat but for a piece of the picture's shape, somewhere. */
static void keep_a_piece(struct photo *p, double share, uint64_t *seed)
{
    const double side = sqrt(share), w = side * p->width, h = side * p->height;
    const double x0 = MARGIN + (uniform(seed) + 1) / 2 * (p->width - w - 2 * MARGIN),
                 y0 = MARGIN + (uniform(seed) + 1) / 2 * (p->height - h - 2 * MARGIN);
    double sum = 0;
    const size_t n = (size_t)p->width * (size_t)p->height;
    for (size_t i = 0; i < n; i++)
        sum += (double)p->gray[i];
    const float flat = (float)(sum / (double)n);
    for (int32_t y = 0; y < p->height; y++)
        for (int32_t x = 0; x < p->width; x++) {
            const double inside = fmin(fmin(x - x0, x0 + w - x), fmin(y - y0, y0 + h - y));
            float *v = p->gray + (size_t)y * (size_t)p->width + (size_t)x;
            *v = flat + (float)ramp(inside) * (*v - flat);
        }
}

static struct photo blurred(const struct photo *p, double sigma)
{
    return sigma > 0 ? photo_gauss(p, sigma) : photo_part(p, 0, 0, p->width, p->height);
}

static struct photo moved(const struct situation *s, const struct photo *p, const struct moved *m)
{
    const int32_t w = p->width - 2 * MARGIN, h = p->height - 2 * MARGIN;
    if (!s->by_fourier) return photo_seen(p, w, h, m);
    struct photo all = photo_fourier(p, m->dx, m->dy), out = photo_part(&all, MARGIN, MARGIN, w, h);
    photo_free(&all);
    return out;
}

static void finish(struct photo *p, const struct situation *s, double gain, uint64_t seed)
{
    const size_t n = (size_t)p->width * (size_t)p->height;
    for (size_t i = 0; gain > 0 && i < n; i++)
        p->gray[i] *= (float)gain;
    photo_to_codes(p);
    if (s->noise > 0) photo_add_noise(p, s->noise, seed);
}

static double error_at(const struct frame_shift *got, const struct moved *m, double x, double y)
{
    return hypot(((double)got->scale - m->scale) * x + (double)got->dx_px - m->dx,
                 ((double)got->scale - m->scale) * y + (double)got->dy_px - m->dy);
}

static void add_pair(struct tally *t, const struct frame_shift *got, const struct moved *m, int32_t width,
                     int32_t height)
{
    const double centre = error_at(got, m, 0, 0);
    t->pairs++;
    t->good += got->trust == SHIFT_GOOD;
    t->centre += centre * centre;
    t->worst = fmax(t->worst, centre);
    for (int k = 0; k < 4; k++) {
        const double corner = error_at(got, m, width * (k % 2 - 0.5), height * (k / 2 - 0.5));
        t->corner += corner * corner / 4;
    }
}

static void try_move(struct register_space *space, const struct situation *s, const struct photo *light,
                     uint64_t *seed, struct tally *t)
{
    struct photo piece = photo_part(light, 0, 0, light->width, light->height);
    if (s->textured > 0) keep_a_piece(&piece, s->textured, seed);
    struct photo soft[2] = {blurred(&piece, s->sigma_before), blurred(&piece, s->sigma_now)};
    const struct moved still = {0, 0, 1}, m = {SHIFT_MOST * uniform(seed), SHIFT_MOST * uniform(seed),
                                               1 + s->grown_most * uniform(seed)};
    struct photo before = moved(s, &soft[0], &still), now = moved(s, &soft[1], &m);
    finish(&before, s, 0, *seed + 1);
    finish(&now, s, s->gain, *seed + 2);
    const struct frame_shift got = photos_registered(space, &before, &now);
    add_pair(t, &got, &m, before.width, before.height);
    for (int i = 0; !s->width && i < BANDS; i++)
        if ((double)got.confidence >= band[i] && (double)got.confidence < band[i + 1])
            add_pair(&by_confidence[i], &got, &m, before.width, before.height);
    if (getenv("SHOW"))
        fprintf(stderr, "%s: (%.3f %.3f %.5f) off (%+.3f %+.3f) scale %+.6f, trust %s, %.2f\n", s->name, m.dx,
                m.dy, m.scale, (double)got.dx_px - m.dx, (double)got.dy_px - m.dy,
                (double)got.scale - m.scale, shift_trust_name(got.trust), (double)got.confidence);
    photo_free(&before);
    photo_free(&now);
    photo_free(&soft[0]);
    photo_free(&soft[1]);
    photo_free(&piece);
}

static struct tally try_situation(struct register_space *space, const struct situation *s,
                                  const struct photo *photographs)
{
    struct tally t = {0};
    uint64_t seed = (uint64_t)(s - situations) * 1000 + 1;
    for (int i = 0; i < (s->width ? PATCHWORKS : PHOTOGRAPHS); i++) {
        struct photo light =
            s->width ? photo_patchwork(photographs, PHOTOGRAPHS, s->width + 2 * MARGIN,
                                       s->height + 2 * MARGIN, seed)
                     : photo_part(&photographs[i], 0, 0, photographs[i].width, photographs[i].height);
        photo_to_light(&light);
        for (int k = 0; k < (s->width ? 1 : MOVES); k++)
            try_move(space, s, &light, &seed, &t);
        photo_free(&light);
    }
    return t;
}

int main(void)
{
    struct err why;
    struct register_space *space = register_space_new(&why);
    if (!space) return 1;
    struct photo photographs[PHOTOGRAPHS];
    for (int i = 0; i < PHOTOGRAPHS; i++)
        photographs[i] = photo_load(names[i]);
    printf("| two pictures of one photograph | pairs | shift off, RMS, px | at most | in the corners, RMS | "
           "trusted |\n|---|---|---|---|---|---|\n");
    for (size_t i = 0; i < sizeof situations / sizeof *situations; i++) {
        const struct tally t = try_situation(space, &situations[i], photographs);
        printf("| %s | %d | %.3f | %.3f | %.3f | %d |\n", situations[i].name, t.pairs,
               sqrt(t.centre / t.pairs), t.worst, sqrt(t.corner / t.pairs), t.good);
        fflush(stdout);
    }
    printf("\n| confidence | pairs | shift off, RMS, px | at most | in the corners, RMS | trusted |\n"
           "|---|---|---|---|---|---|\n");
    for (int i = 0; i < BANDS; i++) {
        const struct tally *t = &by_confidence[i];
        const double n = t->pairs ? t->pairs : 1;
        printf("| %.1f to %.1f | %d | %.3f | %.3f | %.3f | %d |\n", band[i], fmin(band[i + 1], 1), t->pairs,
               sqrt(t->centre / n), t->worst, sqrt(t->corner / n), t->good);
    }
    for (int i = 0; i < PHOTOGRAPHS; i++)
        photo_free(&photographs[i]);
    register_space_free(space);
    return 0;
}
