/* `staddle camera` with a tethered camera: the built program and the unmodified libgphoto2 against emulated
 * cameras of three families, each with names and codes of its own for the same settings. What the camera was
 * set to, the emulator says. Real time. */
#include "tests/support/test.h"

#include <stdlib.h>

#include "tests/emulator/ptp_ip.h"
#include "tests/emulator/ptp_picture.h"
#include "tests/support/emulated.h"
#include "tests/support/shell.h"

static struct ptp_ip *ip;

static void plug(const struct ptp_camera_opts *opts)
{
    ip = ptp_ip_start(opts);
    emulated_write_bench(ip, 2.8, "");
}

static int camera(const char *action)
{
    return in_shell("%s camera %s", staddle_program(), action);
}

static void says(const char *text)
{
    if (!strstr(shell_out(), text)) fail_msg("not said: %s\n%s%s", text, shell_out(), shell_err());
}

static void complains(const char *text)
{
    if (!strstr(shell_err(), text)) fail_msg("not said: %s\n%s%s", text, shell_out(), shell_err());
}

/* One setting to a value and back: what the emulated camera holds is in its own units. */
static void each_family_is_set_by_the_trades_names(void **state)
{
    (void)state;
    for (int family = PTP_GENERIC; family <= PTP_NAMED_SIZES; family++) {
        plug(&(struct ptp_camera_opts){.family = (enum ptp_family)family});
        assert_int_equal(camera("show bench.yaml --verbose"), 0);
        assert_int_equal(camera("set bench.yaml shutter=1/15 aperture=8 iso=400"), 0);
        says("set: shutter is 1/15\n");
        says("set: aperture is f/8\n");
        says("set: iso is 400\n");
        const struct ptp_camera *c = ptp_ip_lock(ip);
        assert_int_equal(c->exposure_time, 666); /* 1/10000 s */
        assert_int_equal(c->f_number, 800);      /* hundredths */
        assert_int_equal(c->iso, 400);
        ptp_ip_unlock(ip);
        assert_int_equal(camera("set bench.yaml shutter=0.25 aperture=f/5.6 iso=100"), 0);
        c = ptp_ip_lock(ip);
        assert_int_equal(c->exposure_time, 2500);
        assert_int_equal(c->f_number, 560);
        assert_int_equal(c->iso, 100);
        assert_int_equal(c->release_count, 0);
        ptp_ip_unlock(ip);
        assert_int_equal(camera("set bench.yaml iso=100 shutter=1/3000"), 2);
        complains("shutter=1/3000: this camera has not that; the nearest is");
        ptp_ip_stop(ip);
    }
}

/* The words of the family for what is no number, each there and back; codes of ISO 15740 and of family 0x0A.
 */
static void words_are_set_and_read_back(void **state)
{
    (void)state;
    static const struct ptp_extras extras = {{{0xD06A, 1, 0, {0, 1}, 2, true},
                                              {0x5013, 2, 1, {1, 2, 0x8011}, 3, false},
                                              {0x5004, 1, 1, {0, 1, 2, 4, 7}, 5, false}},
                                             3};
    static const struct {
        const char *set;
        uint16_t code;
        uint32_t is;
    } cases[] = {{"delay=on", 0xD06A, 1},         {"delay=off", 0xD06A, 0},
                 {"drive=timer", 0x5013, 0x8011}, {"drive=single", 0x5013, 1},
                 {"drive=continuous", 0x5013, 2}, {"format=raw", 0x5004, 4},
                 {"format=raw+jpeg", 0x5004, 7},  {"format=jpeg", 0x5004, 2}};
    plug(&(struct ptp_camera_opts){.family = PTP_RANGE_DRIVE, .extras = extras});
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        char line[64];
        snprintf(line, sizeof line, "set bench.yaml %s", cases[i].set);
        if (camera(line)) fail_msg("%s: %s", line, shell_err());
        struct ptp_camera *c = ptp_ip_lock(ip);
        const uint32_t is = ptp_extra_of(&c->opts.extras, cases[i].code)->value;
        ptp_ip_unlock(ip);
        if (is != cases[i].is) fail_msg("%s: %x", cases[i].set, is);
    }
    assert_int_equal(camera("set bench.yaml white-balance=tungsten focus=auto"), 0);
    struct ptp_camera *c = ptp_ip_lock(ip);
    assert_int_equal(c->white_balance, 6); /* tungsten */
    assert_int_equal(c->focus_mode, 2);    /* automatic */
    ptp_ip_unlock(ip);
    assert_int_equal(camera("set bench.yaml white-balance=daylight focus=manual"), 0);
    c = ptp_ip_lock(ip);
    assert_int_equal(c->white_balance, 4);
    assert_int_equal(c->focus_mode, 1);
    ptp_ip_unlock(ip);
    /* one of them is wrong: none is set */
    assert_int_equal(camera("set bench.yaml white-balance=tungsten iso=250"), 2);
    c = ptp_ip_lock(ip);
    assert_int_equal(c->white_balance, 4);
    ptp_ip_unlock(ip);
    assert_int_equal(camera("set bench.yaml bulb=open"), 2);
    complains("bulb: this camera does not let it be known");
    ptp_ip_stop(ip);
}

/* What it sees, by the one interface: a picture of the size that it has, where the family can. */
static void what_it_sees_is_written_where_it_can(void **state)
{
    (void)state;
    for (int family = PTP_GENERIC; family <= PTP_NAMED_SIZES; family++) {
        char line[64];
        plug(&(struct ptp_camera_opts){.family = (enum ptp_family)family});
        snprintf(line, sizeof line, "show bench.yaml --preview seen%d.jpg", family);
        const int status = camera(line);
        const int there = !in_shell("file seen%d.jpg | grep -q 'JPEG image data'", family);
        if ((status == 0) != (family != PTP_GENERIC) || there != (family != PTP_GENERIC))
            fail_msg("family %d: %d, %d", family, status, there);
        assert_int_equal(ptp_ip_lock(ip)->release_count, 0);
        ptp_ip_unlock(ip);
        ptp_ip_stop(ip);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_family_is_set_by_the_trades_names),
        cmocka_unit_test(words_are_set_and_read_back),
        cmocka_unit_test(what_it_sees_is_written_where_it_can),
    };
    return cmocka_run_group_tests(tests, emulated_private_home, NULL);
}
