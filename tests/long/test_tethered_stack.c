/* A whole stack by the built program with a tethered camera (emulated, through the unmodified libgphoto2) on
 * the simulated rail, in real time. Each file says which release it is of; how often the shutter fired the
 * emulator knows. */
#include "tests/support/test.h"

#include <pthread.h>
#include <stdlib.h>
#include <unistd.h>

#include "tests/emulator/ptp_ip.h"
#include "tests/emulator/ptp_picture.h"
#include "tests/support/emulated.h"
#include "tests/support/shell.h"

static void write_setup(const struct ptp_ip *ip)
{
    emulated_write_bench(ip, 2.8, "");
    emulated_write_job(4, "exposure_s: 0.0166667\nsettle_ms: 50\nstart_delay_s: 0\n");
}

static int32_t release_of(const char *name, uint8_t *bytes, size_t room)
{
    FILE *f = fopen(in_folder("s/frames/%s", name), "rb");
    assert_non_null(f);
    const size_t n = fread(bytes, 1, room, f);
    fclose(f);
    return ptp_picture_release(bytes, n, NULL);
}

static void *(*while_shooting)(void *ip);

/* Runs the stack with that fault; the slices' files are of these releases. */
static void shoot(const struct ptp_camera_opts *opts, const int32_t *releases, int32_t count, int32_t fired)
{
    static uint8_t bytes[65536];
    struct ptp_ip *ip = ptp_ip_start(opts);
    assert_int_equal(in_shell("rm -rf s"), 0);
    write_setup(ip);
    pthread_t beside;
    if (while_shooting) assert_int_equal(pthread_create(&beside, NULL, while_shooting, ip), 0);
    const int ended = in_shell("%s run job.yaml --stack s", staddle_program());
    if (ended) fail_msg("run ended with %d: %s%s", ended, shell_out(), shell_err());
    if (while_shooting) pthread_join(beside, NULL);
    for (int32_t i = 0; i < count; i++) {
        char name[16];
        snprintf(name, sizeof name, "s%04d.jpg", (int)i + 1);
        assert_int_equal(release_of(name, bytes, sizeof bytes), releases[i]);
    }
    const struct ptp_camera *c = ptp_ip_lock(ip);
    assert_int_equal(c->release_count, fired);
    ptp_ip_unlock(ip);
    ptp_ip_stop(ip);
}

/* Four slices, two of margin at each end, and the closing frame. */
static void a_stack_is_shot_in_order(void **state)
{
    (void)state;
    const int32_t releases[] = {1, 2, 3, 4, 5, 6, 7, 8};
    shoot(&(struct ptp_camera_opts){0}, releases, 8, 9);
}

static void a_transfer_that_breaks_off_costs_no_frame(void **state)
{
    (void)state;
    const int32_t releases[] = {1, 2, 3, 4, 5, 6, 7, 8};
    shoot(&(struct ptp_camera_opts){.faults.drop_transfer = 3}, releases, 8, 9);
}

/* The link goes down when the shutter has fired: the frame is fetched, and nothing is fired twice. */
static void a_link_that_drops_after_the_release_costs_no_frame(void **state)
{
    (void)state;
    const int32_t releases[] = {1, 2, 3, 4, 5, 6, 7, 8};
    shoot(&(struct ptp_camera_opts){.faults.drop_release = 3}, releases, 8, 9);
}

/* Whether the run has said that it waits. */
static bool is_missed(void)
{
    char text[4096];
    FILE *f = fopen(in_folder(".err"), "rb");
    if (!f) return false;
    text[fread(text, 1, sizeof text - 1, f)] = '\0';
    fclose(f);
    return strstr(text, "waiting: camera") != NULL;
}

static void *unplug_until_it_is_missed(void *arg)
{
    struct ptp_ip *ip = arg;
    int32_t fired = 0;
    while (fired < 3) {
        usleep(20000);
        fired = emulated_now(ip).release_count;
    }
    ptp_ip_unplug(ip);
    for (int i = 0; i < 3000 && !is_missed(); i++)
        usleep(20000);
    ptp_ip_plug(ip);
    return NULL;
}

static void a_camera_that_is_unplugged_and_comes_back_is_waited_for(void **state)
{
    (void)state;
    const int32_t releases[] = {1, 2, 3, 4, 5, 6, 7, 8};
    while_shooting = unplug_until_it_is_missed;
    shoot(&(struct ptp_camera_opts){0}, releases, 8, 9);
    while_shooting = NULL;
    assert_non_null(strstr(shell_err(), "waiting: camera"));
    assert_non_null(strstr(shell_err(), "the camera is there again"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_stack_is_shot_in_order),
        cmocka_unit_test(a_transfer_that_breaks_off_costs_no_frame),
        cmocka_unit_test(a_link_that_drops_after_the_release_costs_no_frame),
        cmocka_unit_test(a_camera_that_is_unplugged_and_comes_back_is_waited_for),
    };
    return cmocka_run_group_tests(tests, emulated_private_home, NULL);
}
