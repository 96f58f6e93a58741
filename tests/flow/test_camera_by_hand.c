/* `staddle camera` with the simulated camera, as a newcomer without one tries it; told by jq. */
#include "tests/support/test.h"

#include <unistd.h>

#include "tests/support/shell.h"

static void write_bench(const char *more)
{
    FILE *f = fopen(in_folder("bench.yaml"), "w");
    assert_non_null(f);
    fprintf(f,
            "camera: {width_px: 240, height_px: 160, sensor_width_mm: 24%s}\n"
            "axis: {lead_mm: 2, steps_per_rev: 200, microsteps: 16, clearance_mm: 8}\n"
            "lens: {focal_length_mm: 35, f_number: 2.8}\n",
            more);
    fclose(f);
}

static int camera(const char *line)
{
    return in_shell("%s camera %s", staddle_program(), line);
}

static void complains(const char *text)
{
    if (!strstr(shell_err(), text)) fail_msg("not said: %s\n%s%s", text, shell_out(), shell_err());
}

static void it_is_shown_with_what_each_setting_can_be(void **state)
{
    (void)state;
    write_bench("");
    assert_int_equal(in_shell("%s camera show bench.yaml --json >shown", staddle_program()), 0);
    /* the 55 marked times from 30 s to 1/8000 s (scantips.com fstop2.html) */
    assert_int_equal(
        in_shell("jq -e '.settings | map({(.name): .}) | add | (.shutter.can | length == 55) and "
                 "(.shutter.can[0] == \"30\") and (.shutter.can[-1] == \"1/8000\") and "
                 "(.iso.is == \"100\") and (.\"white-balance\".is == \"daylight\") and "
                 "(.bulb.is == null)' shown"),
        0);
    assert_int_equal(
        in_shell("jq -e '.simulated and .model == \"simulated camera\" and .battery == \"100%%\" and "
                 ".free_frames == 6400 and .verb == \"camera\" and .action == \"show\"' shown"),
        0);
    assert_int_equal(camera("show bench.yaml --quiet"), 0);
    assert_string_equal(shell_out(), "");
}

static void settings_are_met_by_their_third(void **state)
{
    (void)state;
    assert_int_equal(camera("set bench.yaml shutter=0.0167 aperture=f/5.6 iso=800 white-balance=daylight"),
                     0);
    assert_non_null(strstr(shell_out(), "set: shutter is 1/60\nset: aperture is f/5.6\nset: iso is 800\n"));
    assert_int_equal(camera("set bench.yaml shutter=1/60 iso=5"), 2);
    complains("iso=5: this camera has not that; the nearest is 100");
    assert_int_equal(camera("set bench.yaml white-balance=tungsten"), 2);
    complains("stays as it is");
    assert_int_equal(camera("set bench.yaml"), 2);
}

static void it_is_ready(void **state)
{
    (void)state;
    assert_int_equal(camera("ready bench.yaml --json"), 0);
    assert_int_equal(in_shell("%s camera ready bench.yaml --json | jq -e '.ready and (.findings == []) and "
                              "(.facts | all(. == \"good\")) and (.facts | length == 17)'",
                              staddle_program()),
                     0);
}

/* Others fire it: it tells nothing, and says so. */
static void a_camera_that_cannot_be_asked_says_so(void **state)
{
    (void)state;
    write_bench(", kind: folder, folder: frames");
    assert_int_equal(in_shell("mkdir -p frames"), 0);
    assert_int_equal(camera("show bench.yaml"), 2);
    complains("tells nothing of its settings");
    assert_int_equal(camera("ready bench.yaml"), 2);
    complains("look at them yourself");
    assert_int_equal(camera("set bench.yaml iso=100"), 2);
    write_bench(", target: ram");
    assert_int_equal(camera("show bench.yaml"), 2);
    complains("camera.target is for a camera of kind tethered");
}

/* Of 24 megapixels the simulated scene takes half a minute to build; what never looks at it does not wait,
 * nor does what is refused anyway. Four seconds of the processor are plenty. */
static void what_never_looks_does_not_wait_for_the_scene(void **state)
{
    (void)state;
    char cwd[400];
    assert_non_null(getcwd(cwd, sizeof cwd));
    static const char *const quick[] = {"axis show", "camera show", "camera ready"};
    for (size_t i = 0; i < sizeof quick / sizeof *quick; i++)
        assert_int_equal(
            in_shell("ulimit -t 4; %s %s %s/configs/beetle-job.yaml", staddle_program(), quick[i], cwd), 0);
    static const char *const refused[] = {"axis go 1mm", "axis calibrate"};
    for (size_t i = 0; i < sizeof refused / sizeof *refused; i++) {
        assert_int_equal(
            in_shell("ulimit -t 4; %s %s %s/configs/beetle-job.yaml", staddle_program(), refused[i], cwd), 4);
        assert_non_null(strstr(shell_err(), "does not know where it stands"));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(it_is_shown_with_what_each_setting_can_be),
        cmocka_unit_test(settings_are_met_by_their_third),
        cmocka_unit_test(it_is_ready),
        cmocka_unit_test(a_camera_that_cannot_be_asked_says_so),
        cmocka_unit_test(what_never_looks_does_not_wait_for_the_scene),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
