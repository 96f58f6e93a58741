/* Mirror-up: a first press raises the mirror, and what it shakes has died away when the second exposes. How
 * long it was up before each exposure is the emulator's to say; that such a press exposes nothing, and that a
 * mirror comes down by itself after half a minute, is common practice, no source. Real time. */
#include "tests/support/test.h"

#include <pthread.h>
#include <signal.h>
#include <unistd.h>

#include "tests/emulator/ptp_ip.h"
#include "tests/support/emulated.h"
#include "tests/support/emulated_stack.h"
#include "tests/support/shell.h"

#define UP_S 0.4

/* Four slices, two of margin at each end, and the closing frame. */
#define EXPOSURES 9

static struct ptp_camera_opts with_drive_mode(void)
{
    struct ptp_camera_opts o = {.family = PTP_RANGE_DRIVE};
    o.extras.rows[o.extras.count++] = (struct ptp_extra){
        .code = PTP_DRIVE_MODE, .width = 2, .value = 1, .choices = {1, 2, PTP_MIRROR_UP}, .choice_count = 3};
    return o;
}

static int shoot(struct ptp_ip *ip)
{
    char key[40];
    snprintf(key, sizeof key, ", mirror_up_s: %g", UP_S);
    assert_int_equal(in_shell("rm -rf s"), 0);
    emulated_write_bench(ip, 2.8, key);
    emulated_write_job(4, "exposure_s: 0.0166667\nsettle_ms: 50\nstart_delay_s: 0\n");
    return in_shell("exec %s run job.yaml --stack s", staddle_program());
}

static double shortest_s(const struct ptp_camera *c)
{
    int64_t least_us = INT64_MAX;
    for (int32_t i = 0; i < c->release_count; i++)
        if (c->releases[i].mirror_us < least_us) least_us = c->releases[i].mirror_us;
    return (double)least_us / 1e6;
}

static void each_exposure_waits_with_the_mirror_up(void **state)
{
    (void)state;
    struct ptp_ip *ip =
        ptp_ip_start(&(struct ptp_camera_opts){.family = PTP_NAMED_SIZES, .mirror_lock = true});
    if (shoot(ip)) fail_msg("%s%s", shell_out(), shell_err());
    const struct ptp_camera c = emulated_now(ip);
    assert_int_equal(c.release_count, EXPOSURES);
    assert_int_equal(c.raised, EXPOSURES);
    assert_true(shortest_s(&c) >= UP_S);
    print_message("measured: mirror up for %.3f s at least before each of %d exposures, %.1f s asked\n",
                  shortest_s(&c), (int)c.release_count, UP_S);
    ptp_ip_stop(ip);
}

static void a_drive_mode_for_it_is_set_and_put_back(void **state)
{
    (void)state;
    const struct ptp_camera_opts o = with_drive_mode();
    struct ptp_ip *ip = ptp_ip_start(&o);
    if (shoot(ip)) fail_msg("%s%s", shell_out(), shell_err());
    struct ptp_camera c = emulated_now(ip);
    assert_int_equal(c.release_count, EXPOSURES);
    assert_true(shortest_s(&c) >= UP_S);
    assert_int_equal(ptp_extra_of(&c.opts.extras, PTP_DRIVE_MODE)->value, 1);
    ptp_ip_stop(ip);
}

/* Its first press exposes: nothing of that becomes a frame, and a person is told what to set. */
static void a_camera_that_is_not_set_to_it_is_told_of(void **state)
{
    (void)state;
    struct ptp_ip *ip = ptp_ip_start(&(struct ptp_camera_opts){0});
    assert_int_equal(shoot(ip), 3);
    assert_non_null(strstr(shell_err(), "the first press made a picture"));
    assert_non_null(strstr(shell_err(), "set mirror-up at the camera, or leave camera.mirror_up_s out"));
    assert_int_equal(in_shell("test -z \"$(ls s/frames)\""), 0);
    assert_in_range(emulated_now(ip).release_count, 1, 3);
    ptp_ip_stop(ip);
}

static bool killed;

static void *kill_while_it_is_up(void *arg)
{
    int program = 0;
    for (int tries = 0; tries < 2000 && !program; tries++) {
        usleep(10000);
        const struct ptp_camera c = emulated_now(arg);
        if (c.raised == 3 && c.mirror_since_us) program = emulated_program(0);
    }
    killed = program && !kill(program, SIGKILL);
    return NULL;
}

/* The mirror is up then, and the next first press exposes: that picture is nobody's, and the slice is shot
 * again. */
static void a_program_killed_between_the_presses_costs_no_frame(void **state)
{
    (void)state;
    pthread_t killer;
    struct ptp_ip *ip =
        ptp_ip_start(&(struct ptp_camera_opts){.family = PTP_NAMED_SIZES, .mirror_lock = true});
    killed = false;
    assert_int_equal(pthread_create(&killer, NULL, kill_while_it_is_up, ip), 0);
    const int ended = shoot(ip);
    pthread_join(killer, NULL);
    assert_true(killed);
    if (ended) fail_msg("%s%s", shell_out(), shell_err());
    const struct ptp_camera c = emulated_now(ip);
    assert_in_range(c.release_count, EXPOSURES, EXPOSURES + 1);
    assert_int_equal(in_shell("test $(ls s/frames/s*.jpg | wc -l) = %d", EXPOSURES - 1), 0);
    print_message("measured: killed with the mirror up: %d exposures for %d frames\n", (int)c.release_count,
                  EXPOSURES);
    ptp_ip_stop(ip);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_exposure_waits_with_the_mirror_up),
        cmocka_unit_test(a_drive_mode_for_it_is_set_and_put_back),
        cmocka_unit_test(a_camera_that_is_not_set_to_it_is_told_of),
        cmocka_unit_test(a_program_killed_between_the_presses_costs_no_frame),
    };
    return cmocka_run_group_tests(tests, emulated_private_home, NULL);
}
