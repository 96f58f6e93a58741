/* Whose a camera is, and where its frames lie: the lock, frames in its memory, raws left on its card. The
 * built program and the unmodified libgphoto2 against emulated cameras, in real time. */
#include "tests/support/test.h"

#include <fcntl.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <unistd.h>

#include "tests/emulator/ptp_ip.h"
#include "tests/emulator/ptp_picture.h"
#include "tests/support/camera_files.h"
#include "tests/support/emulated.h"
#include "tests/support/shell.h"

static struct ptp_ip *ip;

static void plug(const struct ptp_camera_opts *opts, const char *keys)
{
    ip = ptp_ip_start(opts);
    emulated_write_bench(ip, 5.6, keys);
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

static int32_t release_of(const char *path)
{
    static uint8_t bytes[65536];
    FILE *f = fopen(in_folder("%s", path), "rb");
    assert_non_null(f);
    const size_t n = fread(bytes, 1, sizeof bytes, f);
    fclose(f);
    return ptp_picture_release(bytes, n, NULL);
}

/* ---- the lock ---- */

/* A run of its own that holds the camera until it is killed: it waits before its first frame. */
static pid_t hold(void)
{
    const char *program = staddle_program(); /* seen from here */
    const pid_t pid = fork();
    if (pid) return pid;
    const int null = open("/dev/null", O_RDWR);
    dup2(null, 1);
    dup2(null, 2);
    if (chdir(test_folder())) _exit(9);
    execl(program, "staddle", "run", "slow.yaml", "--stack", "held", (char *)NULL);
    _exit(9);
}

static void a_camera_that_another_run_holds_is_refused_by_name(void **state)
{
    (void)state;
    int status, tries = 0;
    plug(&(struct ptp_camera_opts){0}, "");
    assert_int_equal(in_shell("sed 's/start_delay_s: 0/start_delay_s: 60/' job.yaml >slow.yaml"), 0);
    const pid_t pid = hold();
    while (in_shell("test -e held/stack.db") && tries++ < 1200)
        usleep(50000);
    assert_int_equal(staddle("camera show bench.yaml"), 4);
    char who[64];
    snprintf(who, sizeof who, "it is held by staddle (process %d)", (int)pid);
    if (!strstr(shell_err(), who)) fail_msg("%s", shell_err());
    assert_int_equal(staddle("run job.yaml --stack other"), 4);
    assert_int_equal(in_shell("test ! -e other"), 0);
    assert_int_equal(emulated_now(ip).release_count, 0);
    kill(pid, SIGKILL); /* the lock goes with the process, however that ends */
    waitpid(pid, &status, 0);
    for (tries = 0; emulated_now(ip).session && tries < 400; tries++)
        usleep(50000); /* the camera program ends with its parent */
    assert_false(emulated_now(ip).session);
    assert_int_equal(staddle("camera show bench.yaml"), 0);
    ptp_ip_stop(ip);
}

/* ---- frames in its memory ---- */

static void frames_in_memory_never_touch_the_card(void **state)
{
    (void)state;
    plug(&(struct ptp_camera_opts){.family = PTP_NAMED_SIZES}, ", target: ram");
    assert_int_equal(staddle("run job.yaml --stack ram"), 0);
    const struct ptp_camera c = emulated_now(ip);
    assert_int_equal(c.release_count, 7);
    assert_true(c.to_host);
    for (int i = 0; i < c.object_count; i++)
        assert_true(c.objects[i].for_host);
    for (int32_t i = 1; i <= 6; i++) {
        char path[40];
        snprintf(path, sizeof path, "ram/frames/s%04d.jpg", (int)i);
        assert_int_equal(release_of(path), i);
    }
    ptp_ip_stop(ip);
}

/* What its memory held is gone with the link: nobody can fetch it, so it is lost and shot again. */
static void a_frame_in_memory_is_lost_with_the_link_and_shot_again(void **state)
{
    (void)state;
    plug(&(struct ptp_camera_opts){.family = PTP_NAMED_SIZES, .faults.drop_release = 3}, ", target: ram");
    assert_int_equal(staddle("run job.yaml --stack lost"), 0);
    assert_int_equal(emulated_now(ip).release_count, 8);
    assert_int_equal(release_of("lost/frames/s0002.jpg"), 2);
    assert_int_equal(release_of("lost/frames/s0003_t2.jpg"), 4);
    assert_int_equal(in_shell("sqlite3 lost/stack.db \"SELECT count(*) FROM exposure WHERE state = 'lost'\""),
                     0);
    assert_string_equal(shell_out(), "1\n");
    assert_int_equal(in_shell("sqlite3 lost/stack.db \"SELECT count(*) FROM exposure WHERE state = 'kept'\""),
                     0);
    assert_string_equal(shell_out(), "7\n");
    ptp_ip_stop(ip);
}

/* In memory a raw is called a JPEG, too: its content tells. */
static void files_are_typed_by_their_content(void **state)
{
    (void)state;
    plug(&(struct ptp_camera_opts){.family = PTP_NAMED_SIZES, .raw = true}, ", target: ram");
    if (staddle("run job.yaml --stack typed")) fail_msg("%s%s", shell_out(), shell_err());
    assert_string_equal(emulated_now(ip).objects[0].name, "capt0001.jpg");
    assert_int_equal(in_shell("cd typed/frames && ls | tr '\\n' ' '"), 0);
    assert_string_equal(shell_out(),
                        "closing.jpg closing.raw s0001.jpg s0001.raw s0002.jpg s0002.raw s0003.jpg "
                        "s0003.raw s0004.jpg s0004.raw s0005.jpg s0005.raw s0006.jpg s0006.raw ");
    assert_int_equal(
        in_shell("for f in typed/frames/*.jpg; do cmp -n 2 $f typed/frames/s0001.jpg || exit 1; done; "
                 "for f in typed/frames/*.raw; do head -c 3 $f | grep -q 'II[*]' || exit 1; done"),
        0);
    ptp_ip_stop(ip);
}

/* ---- raws on the card ---- */

/* The emulator's card as a reader would copy it, with a raw of the smallest kind for each of its own, which
 * only begin like one. */
static void copy_card(bool with_jpegs)
{
    const struct ptp_camera *c = ptp_ip_lock(ip);
    assert_int_equal(in_shell("rm -rf card && mkdir card"), 0);
    for (int32_t i = 0; i < c->object_count; i++) {
        const struct ptp_object *o = &c->objects[i];
        if (o->format != 0x3801) {
            write_dng(in_folder("card/%s", o->name),
                      (struct shot_facts){.width = 160, .height = 120, .seed = (unsigned)o->release});
            continue;
        }
        if (!with_jpegs) continue;
        FILE *f = fopen(in_folder("card/%s", o->name), "wb");
        assert_non_null(f);
        assert_int_equal(fwrite(o->bytes, 1, o->count, f), o->count);
        fclose(f);
    }
    ptp_ip_unlock(ip);
}

/* Each raw comes to the slice that was shot with its release, by its JPEG's bytes. */
static void bring_the_raws(void)
{
    copy_card(false);
    assert_int_equal(staddle("import --pair jpegs card"), 2);
    copy_card(true);
    assert_int_equal(staddle("import --pair jpegs card"), 0);
    says("7 raws brought to the JPEGs that are here\n");
    assert_int_equal(
        in_shell("for n in 1 2 3 4 5 6; do cmp card/IMG_000$n.DNG jpegs/frames/s000$n.dng || exit 1; "
                 "done; cmp card/IMG_0007.DNG jpegs/frames/closing.dng"),
        0);
    assert_int_equal(staddle("import --pair jpegs card"), 0);
    assert_null(strstr(shell_out(), "raws brought"));
    assert_int_equal(in_shell("sqlite3 jpegs/stack.db 'SELECT count(*) FROM file'"), 0);
    assert_string_equal(shell_out(), "14\n");
    assert_int_equal(staddle("handover jpegs --to out --all"), 0);
    assert_int_equal(in_shell("ls out/*.dng | wc -l"), 0);
    assert_string_equal(shell_out(), "6\n");
}

static void raws_stay_on_the_card_and_are_noted(void **state)
{
    (void)state;
    plug(&(struct ptp_camera_opts){.raw = true}, ", fetch: jpeg");
    assert_int_equal(staddle("run job.yaml --stack jpegs"), 0);
    const struct ptp_camera c = emulated_now(ip);
    assert_int_equal(c.release_count, 7);
    assert_int_equal(c.object_count, 14);
    assert_int_equal(c.transfers, 7); /* the JPEGs alone */
    assert_int_equal(in_shell("ls jpegs/frames | wc -l"), 0);
    assert_string_equal(shell_out(), "7\n");
    assert_int_equal(
        in_shell("sqlite3 jpegs/stack.db \"SELECT text FROM event WHERE kind = 'left on the card'\""), 0);
    says("slice 1, try 1: /store_00010001/IMG_0001.DNG\n");
    says("slice 6, try 1: /store_00010001/IMG_0006.DNG\n");
    says("closing frame, try 1: /store_00010001/IMG_0007.DNG\n");
    bring_the_raws();
    ptp_ip_stop(ip);
    plug(&(struct ptp_camera_opts){.raw = true}, "");
    assert_int_equal(staddle("run job.yaml --stack both"), 0);
    assert_int_equal(emulated_now(ip).release_count, 7);
    assert_int_equal(in_shell("ls both/frames/*.dng | wc -l"), 0);
    assert_string_equal(shell_out(), "7\n");
    ptp_ip_stop(ip);
}

static void keys_that_contradict_each_other_are_refused(void **state)
{
    (void)state;
    plug(&(struct ptp_camera_opts){0}, ", fetch: jpeg, target: ram");
    assert_int_equal(staddle("camera show bench.yaml"), 2);
    if (!strstr(shell_err(), "keep one")) fail_msg("%s", shell_err());
    assert_int_equal(in_shell("sed -i 's/fetch: jpeg, target: ram/fetch: most/' bench.yaml"), 0);
    assert_int_equal(staddle("camera show bench.yaml"), 2);
    ptp_ip_stop(ip);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_camera_that_another_run_holds_is_refused_by_name),
        cmocka_unit_test(frames_in_memory_never_touch_the_card),
        cmocka_unit_test(a_frame_in_memory_is_lost_with_the_link_and_shot_again),
        cmocka_unit_test(files_are_typed_by_their_content),
        cmocka_unit_test(raws_stay_on_the_card_and_are_noted),
        cmocka_unit_test(keys_that_contradict_each_other_are_refused),
    };
    return cmocka_run_group_tests(tests, emulated_private_home, NULL);
}
