/* A flat thing that leans back comes into focus in narrow rows of tiles, two slices to a row: how sharp a
 * frame looks then goes up and down with where its row lies, and no frame is to be blamed for that. The ruler
 * of configs/ on a bench where nothing shakes, so that whatever is called blurred is not. */
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

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(no_frame_of_a_leaning_plane_is_blamed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
