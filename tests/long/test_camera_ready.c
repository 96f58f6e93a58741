/* A tethered camera is asked whether it is ready before a run: emulated bodies of the families, well and
 * badly set, through the built program and the unmodified libgphoto2. Real time. */
#include "tests/support/test.h"

#include <stdlib.h>
#include <sys/stat.h>
#include <time.h>

#include "tests/emulator/ptp_ip.h"
#include "tests/support/emulated.h"
#include "tests/support/shell.h"

static struct ptp_ip *ip;

static void plug(const struct ptp_camera_opts *opts)
{
    ip = ptp_ip_start(opts);
    struct ptp_camera *c = ptp_ip_lock(ip);
    const time_t now = time(NULL);
    strftime(c->date_time, sizeof c->date_time, "%Y%m%dT%H%M%S", localtime(&now));
    ptp_ip_unlock(ip);
    emulated_write_bench(ip, 5.6, "");
    emulated_write_job(2, "exposure_s: 0.0166667\nsettle_ms: 50\nstart_delay_s: 0\n");
}

static int staddle(const char *line)
{
    return in_shell("%s %s", staddle_program(), line);
}

static void says(const char *text)
{
    if (!strstr(shell_out(), text)) fail_msg("not said: %s\n%s%s", text, shell_out(), shell_err());
}

static int32_t releases(void)
{
    const int32_t n = ptp_ip_lock(ip)->release_count;
    ptp_ip_unlock(ip);
    return n;
}

#define SWITCH(code, is)                                                                                     \
    {                                                                                                        \
        code, 1, is, {0, 1}, 2, true                                                                         \
    }
#define CHOICE(code, is, k)                                                                                  \
    {                                                                                                        \
        code, 2, is, {0, 1, 2, 3}, k, false                                                                  \
    }

/* Codes of family 0x0A, from what is publicly known of it: isoauto, longexpnr, bracketing, imagereview,
 * distortion. */
static const struct ptp_extras off = {{SWITCH(0xD054, 0),
                                       SWITCH(0xD06B, 0),
                                       SWITCH(0xD0C0, 0),
                                       SWITCH(0xD165, 0),
                                       SWITCH(0xD0F8, 0),
                                       {0x5013, 2, 1, {1, 2, 0x8011}, 3, false},
                                       {0x5004, 1, 2, {0, 1, 2}, 3, false}},
                                      7};
static const struct ptp_extras on = {{SWITCH(0xD054, 1),
                                      SWITCH(0xD06B, 1),
                                      SWITCH(0xD0C0, 1),
                                      SWITCH(0xD165, 1),
                                      SWITCH(0xD0F8, 1),
                                      {0x5013, 2, 0x8011, {1, 2, 0x8011}, 3, false},
                                      {0x5004, 1, 0, {0, 1, 2}, 3, false}},
                                     7};

static void a_body_that_is_set_well_is_ready(void **state)
{
    (void)state;
    plug(&(struct ptp_camera_opts){.family = PTP_RANGE_DRIVE, .extras = off});
    struct timespec from, to;
    clock_gettime(CLOCK_MONOTONIC, &from);
    assert_int_equal(staddle("camera ready job.yaml"), 0);
    clock_gettime(CLOCK_MONOTONIC, &to);
    const double took_s = (double)(to.tv_sec - from.tv_sec) + (double)(to.tv_nsec - from.tv_nsec) * 1e-9;
    says("ready: 14 of 17 settings are known to be right, for 7 frames");
    says("the camera does not tell: stabiliser, automatic tone, automatic power-off");
    assert_true(took_s < 15);
    assert_int_equal(releases(), 0);
    print_message("measured: whether a tethered camera is ready, told after %.2f s, without the shutter\n",
                  took_s);
    ptp_ip_stop(ip);
}

static void a_body_that_is_set_badly_is_told_all_of_it(void **state)
{
    (void)state;
    static const char *const told[] = {"! ISO is automatic",        "! bracketing is on",
                                       "! the exposure mode is P",  "! white balance is automatic",
                                       "- autofocus is on",         "! the battery is at 8%",
                                       "! the card takes 3 frames", "- the image format is",
                                       "- the self-timer is on",    "- distortion correction is on",
                                       "- image review is on",      "- the camera's clock is",
                                       "the bench file plans with"};
    plug(&(struct ptp_camera_opts){.family = PTP_RANGE_DRIVE, .extras = on, .battery = 8, .shots_left = 3});
    struct ptp_camera *c = ptp_ip_lock(ip);
    c->program = 2;
    c->white_balance = 2;
    c->focus_mode = 2;
    c->f_number = 1100;
    strcpy(c->date_time, "20010101T200000");
    ptp_ip_unlock(ip);
    assert_int_equal(staddle("camera ready job.yaml"), 4);
    for (size_t i = 0; i < sizeof told / sizeof *told; i++)
        says(told[i]);
    if (strstr(shell_out(), "long exposures is on")) fail_msg("1/60 s is no long exposure");
    assert_int_equal(staddle("camera ready job.yaml --json"), 4);
    assert_int_equal(in_shell("true"), 0);
    ptp_ip_stop(ip);
}

/* Nothing is written, nothing fires; anyway it does. */
static void a_run_is_refused_before_anything_is_written(void **state)
{
    (void)state;
    static const struct ptp_extras automatic = {{SWITCH(0xD054, 1)}, 1};
    plug(&(struct ptp_camera_opts){.family = PTP_RANGE_DRIVE, .extras = automatic});
    assert_int_equal(staddle("run job.yaml --stack s"), 4);
    if (!strstr(shell_err(), "ISO is automatic") || !strstr(shell_err(), "--anyway"))
        fail_msg("%s", shell_err());
    assert_int_equal(in_shell("test ! -e s"), 0);
    assert_int_equal(releases(), 0);
    assert_int_equal(staddle("run job.yaml --stack s --anyway"), 0);
    says("ISO is automatic");
    assert_int_equal(releases(), 7);
    ptp_ip_stop(ip);
}

/* What is only a pity is told, and the stack is shot. */
static void warnings_stop_nothing(void **state)
{
    (void)state;
    static const struct ptp_extras review = {{SWITCH(0xD165, 1)}, 1};
    plug(&(struct ptp_camera_opts){.family = PTP_RANGE_DRIVE, .extras = review});
    assert_int_equal(staddle("run job.yaml --stack t"), 0);
    says("image review is on");
    says("the camera does not tell: stabiliser");
    ptp_ip_stop(ip);
}

/* N (1 + m / P): f/5.6 at magnification 1 works as f/11.2 (the bellows formula of every handbook); which of
 * the two a body shows, the bench file says. */
static void a_body_may_show_the_f_number_that_works(void **state)
{
    (void)state;
    plug(&(struct ptp_camera_opts){0});
    struct ptp_camera *c = ptp_ip_lock(ip);
    c->f_number = 1100;
    ptp_ip_unlock(ip);
    assert_int_equal(in_shell("sed -i 's/magnification: 4/magnification: 1/' job.yaml"), 0);
    assert_int_equal(staddle("camera ready job.yaml"), 0);
    says("the camera is at f/11, and the bench file plans with what it would show as f/5.6");
    assert_int_equal(in_shell("sed -i 's/sensor_width_mm: 24/&, f_number_shown: effective/' bench.yaml"), 0);
    assert_int_equal(staddle("camera ready job.yaml"), 0);
    if (strstr(shell_out(), "bench file plans")) fail_msg("%s", shell_out());
    ptp_ip_stop(ip);
}

/* Codes of family 0x0B: exposure mode, white balance, drive, power-off. */
static void the_other_families_tell_what_they_know(void **state)
{
    (void)state;
    static const struct ptp_extras bad = {{{0xD105, 4, 0, {0, 3}, 2, false},
                                           {0xD109, 4, 0, {0, 1}, 2, false},
                                           {0xD106, 4, 0x10, {0, 0x10}, 2, false},
                                           {0xD114, 4, 30, {0, 30}, 2, false}},
                                          4};
    plug(&(struct ptp_camera_opts){.family = PTP_NAMED_SIZES});
    assert_int_equal(staddle("camera ready job.yaml"), 0);
    says("the camera does not tell: stabiliser, image format");
    ptp_ip_stop(ip);
    plug(&(struct ptp_camera_opts){.family = PTP_NAMED_SIZES, .extras = bad});
    assert_int_equal(staddle("camera ready job.yaml"), 4);
    says("! the exposure mode is P");
    says("! white balance is automatic");
    says("- the self-timer is on");
    says("- the camera switches itself off after 30 s");
    ptp_ip_stop(ip);
    plug(&(struct ptp_camera_opts){.family = PTP_GENERIC});
    assert_int_equal(staddle("camera ready bench.yaml"), 0);
    says("the camera does not tell: stabiliser, image format, noise reduction of long exposures, automatic "
         "tone, "
         "distortion correction, self-timer, bracketing, image review, automatic power-off");
    ptp_ip_stop(ip);
}

/* The library remembers in it what a camera was told to do with its frames: that is the user's. */
static void the_users_own_settings_file_stays_as_it_is(void **state)
{
    (void)state;
    assert_int_equal(
        in_shell("rm -rf .gphoto; mkdir .gphoto && printf 'ptp2=capturetarget=sdram\\nptp2=autofocus=on\\n' "
                 ">.gphoto/settings"),
        0);
    char before[80];
    snprintf(before, sizeof before, "%s", fingerprint(".gphoto"));
    plug(&(struct ptp_camera_opts){.family = PTP_RANGE_DRIVE, .extras = off});
    assert_int_equal(staddle("camera ready job.yaml"), 0);
    assert_int_equal(staddle("camera set job.yaml iso=200"), 0);
    assert_int_equal(staddle("run job.yaml --stack u"), 0);
    ptp_ip_stop(ip);
    assert_string_equal(fingerprint(".gphoto"), before);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_body_that_is_set_well_is_ready),
        cmocka_unit_test(a_body_that_is_set_badly_is_told_all_of_it),
        cmocka_unit_test(a_run_is_refused_before_anything_is_written),
        cmocka_unit_test(warnings_stop_nothing),
        cmocka_unit_test(the_other_families_tell_what_they_know),
        cmocka_unit_test(a_body_may_show_the_f_number_that_works),
        cmocka_unit_test(the_users_own_settings_file_stays_as_it_is),
    };
    return cmocka_run_group_tests(tests, emulated_private_home, NULL);
}
