/* A flat thing that leans back comes into focus in narrow rows of tiles, two or three slices to a row: how
 * sharp a frame looks then goes up and down with where its row lies, and no frame is to be blamed for that.
 * But one that was really shaken is. Right: the ruler of configs/ on a bench where nothing shakes. Wrong and
 * borderline: frames of such planes that this test shakes itself, so the truth is what it did. */
#include <string.h>

#include "tests/support/hard.h"
#include "tests/support/made_scene.h"
#include "tests/support/program.h"
#include "tests/support/shell.h"
#include "tests/support/test.h"

static void no_frame_of_a_leaning_plane_is_blamed(void **state)
{
    (void)state;
    static const int seeds[] = {3, 5, 6};
    for (size_t i = 0; i < sizeof seeds / sizeof *seeds; i++) {
        struct said r =
            shell("cd %s && cp \"$OLDPWD\"/configs/ruler-bench.yaml . && "
                  "sed -e 's/shows: ruler/&\\n  ring_hz: 400\\n  ring_zeta: 0.9\\n  sway_um: 0\\n  "
                  "hum_um: 0/' -e 's/^seed:.*/seed: %d/' \"$OLDPWD\"/configs/ruler-job.yaml >job%d.yaml && "
                  "staddle simulate job%d.yaml --stack s%d --quiet && staddle check s%d | head -1",
                  test_folder(), seeds[i], seeds[i], seeds[i], seeds[i], seeds[i]);
        assert_string_equal(r.err, "");
        assert_string_equal(r.out, "Yes: every textured part of the subject is sharp in some frame.\n");
        said_clear(&r);
    }
}

/* ---- one frame of it shaken ---- */

enum { MOST = 140 };

struct plane {
    struct shoot s;
    struct shoot_frame f[MOST];
    struct shots still; /* all frames, none shaken */
    int32_t frames;
};

static void plane_open(const struct shoot_opts *o, struct plane *p)
{
    shoot_open(o, &p->s);
    p->frames = o->slices + 4;
    assert_in_range(p->frames, 8, MOST);
    shoot_places(&p->s, -2 * p->s.spacing_nm, p->s.spacing_nm, p->frames, p->f);
    shoot_frames(&p->s, p->f, p->frames, &p->still);
}

static void plane_close(struct plane *p)
{
    shots_clear(&p->still);
    shoot_close(&p->s);
}

struct named {
    bool it;        /* the frame that was shaken */
    int32_t others; /* that are called blurred */
};

/* Only the shaken frame's picture is another, and the shift of the one after it. */
static struct named shake(struct plane *p, int32_t at, double px, double deg)
{
    struct shoot_frame f[3] = {p->f[at - 1], p->f[at], p->f[at + 1]};
    struct shots three;
    struct verdict v = {0};
    struct named out = {false, 0};
    f[1].shake_px = px;
    f[1].shake_deg = deg;
    shoot_frames(&p->s, f, 3, &three);
    p->still.list[at] = three.list[1];
    p->still.list[at + 1] = three.list[2];
    shots_check(&p->still, SHOTS_UNKNOWN, &v);
    for (int32_t i = 0; i < v.blurred.count; i++) {
        out.it = out.it || v.blurred.rows[i] == at;
        out.others += v.blurred.rows[i] != at;
    }
    p->still.list[at] = &p->still.measures[at];
    p->still.list[at + 1] = &p->still.measures[at + 1];
    verdict_clear(&v);
    shots_clear(&three);
    return out;
}

static void must_tell(struct plane *p, int32_t at, double px, double deg)
{
    const struct named n = shake(p, at, px, deg);
    if (!n.it || n.others)
        fail_msg("frame %d, shaken by %g px at %g degrees: %stold, and %d others", (int)at, px, deg,
                 n.it ? "" : "not ", (int)n.others);
}

/* Told or not, but no other frame. Returns whether it was. */
static bool may_tell(struct plane *p, int32_t at, double px, double deg)
{
    const struct named n = shake(p, at, px, deg);
    if (n.others)
        fail_msg("frame %d, shaken by %g px at %g degrees: %d others told", (int)at, px, deg, (int)n.others);
    return n.it;
}

/* Right again, on these frames: nothing shaken, nothing told. */
static void must_not_tell(struct plane *p, int32_t at)
{
    assert_false(may_tell(p, at, 0, 0));
}

static double lean(double x, double y, const void *arg)
{
    (void)y;
    (void)arg;
    return x;
}

/* Grain and marks across the width: a smear along the height takes little of either, and may be passed by
 * until it is long. */
static void a_shaken_frame_of_the_ruler_is_told(void **state)
{
    (void)state;
    static const int32_t at[] = {40, 61, 90};
    struct plane p;
    int32_t told = 0, asked = 0;
    plane_open(&(struct shoot_opts){.ruler = true, .noise = 1, .seed = 3, .slices = 131}, &p);
    must_not_tell(&p, at[0]);
    for (size_t i = 0; i < sizeof at / sizeof *at; i++) {
        must_tell(&p, at[i], 3, 0);
        must_tell(&p, at[i], 4, 45);
        must_tell(&p, at[i], 8, 90);
        for (double px = 0.5; px <= 2; px *= 2, asked++)
            told += may_tell(&p, at[i], px, 0);
    }
    printf("measured: one frame of a leaning ruler shaken by 3 to 8 px is told; by 0.5 to 2 px %d of %d\n",
           (int)told, (int)asked);
    plane_close(&p);
}

/* A photograph on a plane: texture of all directions, two slices a row of tiles. */
static void a_shaken_frame_of_a_leaning_photograph_is_told(void **state)
{
    (void)state;
    static const int32_t at[] = {20, 31};
    struct plane p;
    struct shoot_scene scene = hard_aloe();
    scene.width_px = 641;
    scene.height_px = 555;
    made_scene_depth(&scene, lean, NULL);
    int32_t told = 0, asked = 0;
    plane_open(&(struct shoot_opts){.scene = &scene, .noise = 1, .seed = 5, .slices = 60}, &p);
    must_not_tell(&p, at[0]);
    for (size_t i = 0; i < sizeof at / sizeof *at; i++)
        for (double deg = 0; deg <= 90; deg += 45) {
            must_tell(&p, at[i], 4, deg);
            must_tell(&p, at[i], 8, deg);
            for (double px = 0.5; px <= 2; px *= 2, asked++)
                told += may_tell(&p, at[i], px, deg);
        }
    printf("measured: one frame of a leaning photograph shaken by 4 or 8 px is told; by 0.5 to 2 px %d of "
           "%d\n",
           (int)told, (int)asked);
    plane_close(&p);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(no_frame_of_a_leaning_plane_is_blamed),
        cmocka_unit_test(a_shaken_frame_of_the_ruler_is_told),
        cmocka_unit_test(a_shaken_frame_of_a_leaning_photograph_is_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
