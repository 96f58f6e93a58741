#include "tests/support/lens_stack.h"

#include <dirent.h>
#include <unistd.h>

#include "tests/support/emulated_stack.h"
#include "tests/support/shell.h"
#include "tests/support/test.h"

#define SLICES  200
#define WARM    40
#define MORE_KB 3000 /* what the stores of releases and frames may take; our choice */

struct watch {
    struct ptp_ip *ip;
    struct use {
        long kb;
        int fds;
    } early[2], late[2]; /* of staddle, of its camera program */
};

static struct use use_of(int pid)
{
    struct use u = {0};
    char path[64];
    long all;
    snprintf(path, sizeof path, "/proc/%d/statm", pid);
    FILE *f = fopen(path, "r");
    if (f && fscanf(f, "%ld %ld", &all, &u.kb) == 2) u.kb *= sysconf(_SC_PAGESIZE) / 1024;
    if (f) fclose(f);
    snprintf(path, sizeof path, "/proc/%d/fd", pid);
    DIR *d = opendir(path);
    while (d && readdir(d))
        u.fds++;
    if (d) closedir(d);
    return u;
}

static void look(void *arg, int pid)
{
    struct watch *w = arg;
    const int32_t released = ptp_ip_lock(w->ip)->release_count;
    ptp_ip_unlock(w->ip);
    const int camera = emulated_program(pid);
    if (!camera || released < WARM || released > SLICES) return;
    struct use *to = w->early[1].kb ? w->late : w->early;
    to[0] = use_of(pid);
    to[1] = use_of(camera);
}

void lens_stack_shoot(enum ptp_family family, const char *folder)
{
    struct watch w = {0};
    struct emulated_job j = {.family = family,
                             .slices = SLICES - 4,
                             .spacing_counts = 6,
                             .backlash_counts = 5,
                             .camera.ready_us = 1000, /* as it looks, and sleeps for 50 ms if it is not */
                             .folder = folder,
                             .while_running = look,
                             .arg = &w};
    struct emulated_result r = {.resumed = -1};
    const struct ptp_camera_opts camera = emulated_camera(&j);
    w.ip = ptp_ip_start(&camera);
    emulated_write(&j, w.ip);
    r.exit = emulated_run(&j, w.ip, "run", &r);
    if (r.exit) fail_msg("ended with %d: %s", r.exit, r.said);
    emulated_verify(&j, w.ip, &r);
    assert_int_equal(r.extra, 0);
    assert_int_equal(r.off_most, 0);
    assert_true(abs(r.first_at + 2 * j.spacing_counts) <= j.backlash_counts);
    j.while_running = NULL;
    const double seconds = r.seconds;
    const int checked = emulated_run(&j, w.ip, "check", &r);
    if (checked) fail_msg("check ended with %d: %s", checked, r.said);
    assert_non_null(strstr(r.said, "Yes: every textured part"));
    print_message(
        "measured: %s: %d slices in %.1f s, %d releases, all at their place; kB %ld then %ld and %ld "
        "then %ld, descriptors %d then %d and %d then %d\n",
        folder, (int)r.kept, seconds, (int)r.releases, w.early[0].kb, w.late[0].kb, w.early[1].kb,
        w.late[1].kb, w.early[0].fds, w.late[0].fds, w.early[1].fds, w.late[1].fds);
    for (int i = 0; i < 2; i++) {
        assert_true(w.late[i].kb > 0);
        assert_true(w.late[i].kb - w.early[i].kb < MORE_KB);
        assert_true(w.late[i].fds <= w.early[i].fds + 2); /* a file being written, looked at by chance */
    }
    ptp_ip_stop(w.ip);
}
