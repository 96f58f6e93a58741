#include "tests/support/clean.h"

#include <string.h>

#include "base/mem.h"
#include "tests/support/made_scene.h"
#include "tests/support/second_scene.h"
#include "tests/support/test.h"

/* splitmix64, public domain algorithm: Steele, Lea, Flood 2014 (from memory). */
static uint64_t draw(uint64_t *state)
{
    uint64_t z = (*state += 0x9e3779b97f4a7c15u);
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return z ^ (z >> 31);
}

static double between(uint64_t *state, double least, double most)
{
    return least + (most - least) * (double)(draw(state) >> 11) / 9007199254740992.0;
}

/* ---- depths ---- */

struct depth {
    int kind;
    double angle, at;
};

static double depth_at(double x, double y, const void *arg)
{
    const struct depth *d = arg;
    const double c = cos(d->angle), s = sin(d->angle), span = fabs(c) + fabs(s);
    const double along = ((x - 0.5) * c + (y - 0.5) * s) / span + 0.5, away = hypot(x - 0.5, y - 0.5) / 0.71;
    switch (d->kind) {
    case 0: /* a slope */
        return along;
    case 1: /* a bump */
        return away * away;
    case 2: /* terraces */
        return floor(5 * along) / 4;
    case 3: /* a roof */
        return fabs(2 * along - 1);
    case 4: /* a slope before a wall */
        return along < d->at ? 0.6 * along / d->at : 1;
    default: /* waves */
        return 0.5 + 0.5 * sin(7 * along + 3 * y);
    }
}

/* ---- one of them ---- */

struct setting {
    struct shoot_opts shoot;
    struct shoot_scene scene;
    const char *name, *shape;
    double spacing;       /* of the planned one */
    double before, after; /* spacings of room at the ends */
    double stops;         /* of light, all frames alike */
    double slope_stops;   /* over the stack; less than is worth a word */
    bool backwards, planned;
};

/* Pictures of python3-skimage, which reach from hardly any texture to nothing but. */
static const char *const pictures[] = {"gravel.png", "brick.png",   "grass.png", "coffee.png",
                                       "ihc.png",    "chelsea.png", "coins.png", "rocket.jpg",
                                       "moon.png",   "retina.jpg",  "cell.png",  "hubble_deep_field.jpg"};
enum { PICTURES = sizeof pictures / sizeof *pictures };

static void choose_scene(int32_t which, uint64_t *state, struct setting *s)
{
    static struct shoot_scene second;
    char path[PATH_ROOM];
    const int kind = which % 5; /* the clock, aloe, the second scene, and two of pictures with a made depth */
    s->shape = "measured";
    s->name = kind == 0 ? "clock" : kind == 1 ? "aloe" : "second scene";
    if (kind == 0) {
        s->shoot.clock = true;
    } else if (kind == 2) {
        if (!second.width_px) second = second_scene();
        s->scene = second;
    } else if (kind > 2) {
        s->name = pictures[which / 5 * 2 % PICTURES + (kind == 4)];
        second_scene_file(s->name, path, sizeof path);
        made_scene_file(&s->scene, path);
        static const char *const shapes[] = {"slope", "bump", "terraces", "roof", "wall", "waves"};
        const struct depth d = {(int)(draw(state) % 6), between(state, 0, 2 * M_PI),
                                between(state, 0.3, 0.7)};
        s->shape = shapes[d.kind];
        made_scene_depth(&s->scene, depth_at, &d);
    }
    if (kind == 1) {
        made_scene_file(&s->scene, "/usr/share/doc/opencv-doc/examples/data/aloeL.jpg");
        snprintf(s->scene.depth_map, sizeof s->scene.depth_map,
                 "/usr/share/doc/opencv-doc/examples/data/aloeGT.png");
    }
    s->scene.width_px = 360 + 8 * (int32_t)(draw(state) % 10);
    s->scene.height_px = 270 + 8 * (int32_t)(draw(state) % 6);
}

static void choose(int32_t which, struct setting *s)
{
    static const double noises[] = {0.5, 1, 2, 4, 6};
    uint64_t state = (uint64_t)which * 7919u + 17;
    *s = (struct setting){0};
    choose_scene(which, &state, s);
    s->shoot.slices = 8 + (int32_t)(draw(&state) % 11);
    s->shoot.seed = draw(&state) % 100000;
    s->shoot.noise = noises[draw(&state) % 5];
    s->shoot.magnification = between(&state, 2, 5);
    s->shoot.f_number = between(&state, 2.8, 5.6);
    s->spacing = between(&state, 0.55, 1.1); /* 1 is what planning chooses; from 1.25 on check says so */
    s->before = between(&state, 0.1, 4);
    s->after = between(&state, 0.1, 4);
    s->stops = between(&state, -1.2, 0.4);
    s->slope_stops = between(&state, -0.15, 0.15);
    s->backwards = draw(&state) % 4 == 0;
    s->planned = draw(&state) % 2 == 0;
    if (draw(&state) % 3 == 0) { /* a lens, not a rail: no plan says how the picture grows */
        s->shoot.breathing = between(&state, 0.005, 0.05);
        s->planned = false;
    }
}

/* Said of the stack, but not against it: true of the scene or the frames at the ends. */
static bool only_tells(const char *code)
{
    static const char *const codes[] = {"no-texture", "clipped", "unneeded", "border"};
    for (size_t i = 0; i < sizeof codes / sizeof *codes; i++)
        if (strcmp(code, codes[i]) == 0) return true;
    return false;
}

static bool blamed(const struct verdict *v, char *words, size_t room)
{
    words[0] = 0;
    for (int32_t i = 0; i < v->findings.count; i++) {
        const struct finding *f = &v->findings.rows[i];
        const size_t used = strlen(words);
        if (!f->grave && only_tells(f->code)) continue;
        snprintf(words + used, room - used, "%s%s: %s", used ? "; " : "", f->code, f->text);
    }
    return words[0];
}

/* Quiet frames at three places anywhere in the stack: as sharp as it, each of them. */
static void judge_still(struct shoot *s, const struct shots *shots, const struct setting *set, double spacing,
                        int32_t which, struct clean_tally *tally)
{
    enum { STILL = 3 };
    uint64_t state = (uint64_t)which * 104729u + 5;
    struct shoot_frame f[STILL];
    struct quiet_frame quiet[STILL];
    struct shots still;
    struct verdict v = {0};
    struct err why = {0};
    for (int i = 0; i < STILL; i++) {
        const double at = between(&state, 0.3, shots->frames - 1.3);
        f[i] = (struct shoot_frame){.at_nm = llround((at - set->before) * spacing),
                                    .again = 50 + i,
                                    .light_stops = set->stops + set->slope_stops * at / (shots->frames - 1)};
    }
    shoot_frames(s, f, STILL, &still);
    for (int i = 0; i < STILL; i++)
        quiet[i] = (struct quiet_frame){"quiet.jpg", &still.measures[i], 250000, 0, 0};
    const struct check_input in = {.frames = shots->frames,
                                   .measures = shots->list,
                                   .order = set->backwards ? ORDER_FAR_FIRST : ORDER_NEAR_FIRST,
                                   .rows = set->planned ? shots->rows : NULL,
                                   .planned_scale = set->planned ? shots->planned_scale : NULL,
                                   .quiet = quiet,
                                   .quiet_count = STILL};
    if (check_stack(&in, &v, &why)) fail_msg("%s", why.text);
    const struct quiet_verdict *q = &v.quiet;
    const bool wrong = q->state == QUIET_SHAKEN || q->state == QUIET_SOFTER || q->state == QUIET_SHARPER;
    tally->still++;
    tally->still_blamed += wrong;
    tally->still_no_use += q->state == QUIET_NO_USE;
    if (wrong)
        printf(
            "printed: clean stack %d (%s, depth %s, noise %g) was blamed by a quiet frame: %s, %.2f px of %d "
            "tiles\n",
            which, set->name, set->shape, set->shoot.noise, q->state == QUIET_SHARPER ? "sharper" : "shaken",
            q->smear_px, (int)q->tiles);
    verdict_clear(&v);
    shots_clear(&still);
}

void clean_stack(int32_t which, struct clean_tally *tally)
{
    enum { MOST = 80 };
    struct setting set;
    struct shoot s;
    struct shoot_frame f[MOST], back[MOST];
    struct shots shots;
    struct verdict v = {0};
    char words[600];
    choose(which, &set);
    if (!set.shoot.clock) set.shoot.scene = &set.scene;
    if (set.shoot.clock) set.shoot.scene = NULL;
    shoot_open(&set.shoot, &s);
    const double spacing = set.spacing * (double)s.spacing_nm;
    const int32_t n = 1 + (int32_t)ceil((double)s.far_nm / spacing + set.before + set.after);
    assert_in_range(n, 3, MOST);
    for (int32_t i = 0; i < n; i++) {
        f[i] = (struct shoot_frame){.at_nm = llround((i - set.before) * spacing),
                                    .light_stops = set.stops + set.slope_stops * i / (n - 1)};
        back[n - 1 - i] = f[i];
    }
    shoot_frames(&s, set.backwards ? back : f, n, &shots);
    shots_check(&shots, set.planned ? SHOTS_PLANNED : SHOTS_UNKNOWN, &v);
    tally->stacks++;
    tally->frames += n;
    if (tally->stacks == 1 || v.textured_fraction < tally->textured_least)
        tally->textured_least = v.textured_fraction;
    if (blamed(&v, words, sizeof words)) {
        tally->blamed++;
        printf("printed: clean stack %d (%s, depth %s, room %.2f and %.2f, %d frames, spacing %.2f, noise "
               "%g, textured %.2f%s%s%s) was "
               "blamed: %s\n",
               which, set.name, set.shape, set.before, set.after, n, set.spacing, set.shoot.noise,
               v.textured_fraction, set.backwards ? ", far first" : "", set.planned ? ", planned" : "",
               set.shoot.breathing > 0 ? ", breathes" : "", words);
    }
    verdict_clear(&v);
    judge_still(&s, &shots, &set, spacing, which, tally);
    shots_clear(&shots);
    shoot_close(&s);
}
