/* Exposures longer than any that the camera has, kept from outside; never on a family that only seems to have
 * it. The emulator's clock says how long the shutter was open. Real time. */
#include "tests/support/test.h"

#include <fcntl.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <unistd.h>

#include "tests/emulator/ptp_ip.h"
#include "tests/support/emulated.h"
#include "tests/support/shell.h"

#define EXPOSURE_S 9.6 /* the emulated bodies' longest is 8 s */

static struct ptp_ip *ip;

static void plug(const struct ptp_camera_opts *opts)
{
    ip = ptp_ip_start(opts);
    emulated_write_bench(ip, 5.6, "");
    char exposure[40];
    snprintf(exposure, sizeof exposure, "exposure_s: %g\n", EXPOSURE_S);
    emulated_write_job(2, exposure);
}

static void a_long_exposure_is_kept_by_bulb(void **state)
{
    (void)state;
    plug(&(struct ptp_camera_opts){.family = PTP_NAMED_SIZES});
    if (in_shell("%s camera shoot job.yaml --to long.jpg", staddle_program())) fail_msg("%s", shell_err());
    const struct ptp_camera c = emulated_now(ip);
    assert_int_equal(c.release_count, 1);
    const double open_s = (double)c.releases[0].exposure_us / 1e6;
    assert_near(open_s, EXPOSURE_S, 0.03);
    assert_true(c.bulb_since_us == 0);
    assert_int_equal(in_shell("test -s long.jpg"), 0);
    print_message("measured: an exposure of %.1f s by bulb was open for %.3f s\n", EXPOSURE_S, open_s);
    ptp_ip_stop(ip);
}

/* The generic family shows a switch of that name, and has no such time. */
static void no_family_without_that_time_is_trusted_with_it(void **state)
{
    (void)state;
    for (int family = PTP_GENERIC; family <= PTP_RANGE_DRIVE; family++) {
        plug(&(struct ptp_camera_opts){.family = (enum ptp_family)family});
        assert_int_equal(in_shell("%s camera shoot job.yaml --to no.jpg", staddle_program()), 2);
        assert_non_null(strstr(shell_err(), "it has not a shutter time of 9.6 s; the nearest is 8"));
        assert_int_equal(emulated_now(ip).release_count, 0);
        ptp_ip_stop(ip);
    }
}

/* Whoever asked for it is gone: the shutter is shut all the same. */
static void the_shutter_is_shut_when_the_program_is_killed(void **state)
{
    (void)state;
    int status, tries = 0;
    const char *program = staddle_program();
    plug(&(struct ptp_camera_opts){.family = PTP_NAMED_SIZES});
    const pid_t pid = fork();
    if (!pid) {
        const int null = open("/dev/null", O_RDWR);
        dup2(null, 1);
        dup2(null, 2);
        if (!chdir(test_folder()))
            execl(program, "staddle", "camera", "shoot", "job.yaml", "--to", "cut.jpg", (char *)NULL);
        _exit(9);
    }
    while (!emulated_now(ip).bulb_since_us && tries++ < 1200)
        usleep(50000);
    assert_true(emulated_now(ip).bulb_since_us != 0);
    kill(pid, SIGKILL);
    waitpid(pid, &status, 0);
    for (tries = 0; emulated_now(ip).bulb_since_us && tries < 40; tries++)
        usleep(50000);
    assert_true(emulated_now(ip).bulb_since_us == 0); /* within two seconds */
    assert_int_equal(emulated_now(ip).release_count, 1);
    ptp_ip_stop(ip);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_long_exposure_is_kept_by_bulb),
        cmocka_unit_test(no_family_without_that_time_is_trusted_with_it),
        cmocka_unit_test(the_shutter_is_shut_when_the_program_is_killed),
    };
    return cmocka_run_group_tests(tests, emulated_private_home, NULL);
}
