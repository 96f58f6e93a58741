/* What a person has to see to while a lens drive shoots a stack: each time it pauses with a sentence that
 * says what to do, and once that is done resume makes the stack whole, every frame of its place. By the built
 * program through the unmodified libgphoto2; the truth is the emulated camera's. */
#include "tests/support/test.h"

#include <signal.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/fs.h"
#include "base/mem.h"
#include "tests/support/emulated_stack.h"

#define SPACING  30
#define SLICES   6
#define OFF_MOST 6 /* counts: a fifth of a spacing, where the place was found by picture */

struct trouble {
    const char *name, *says;
    int exit;
    struct ptp_camera_opts camera;
    void (*mend)(struct ptp_camera *);
};

static struct emulated_job job_of(enum ptp_family family, const char *name,
                                  const struct ptp_camera_opts *camera)
{
    return (struct emulated_job){.family = family,
                                 .slices = SLICES,
                                 .spacing_counts = SPACING,
                                 .backlash_counts = 4,
                                 .folder = name,
                                 .camera = *camera};
}

static void mend(struct ptp_ip *ip, void (*how)(struct ptp_camera *))
{
    how(ptp_ip_lock(ip));
    ptp_ip_unlock(ip);
}

static void (*beside)(void *ip, int pid); /* what happens while it runs */

static void pauses_and_resumes(enum ptp_family family, const struct trouble *t)
{
    char name[64];
    snprintf(name, sizeof name, "%s-%d", t->name, (int)family);
    struct emulated_job j = job_of(family, name, &t->camera);
    struct emulated_result r = {.resumed = -1};
    const struct ptp_camera_opts camera = emulated_camera(&j);
    struct ptp_ip *ip = ptp_ip_start(&camera);
    j.while_running = beside;
    j.arg = ip;
    emulated_write(&j, ip);
    r.exit = emulated_run(&j, ip, "run", &r);
    if (r.exit != t->exit || !strstr(r.said, t->says))
        fail_msg("%s: ended with %d: %s", name, r.exit, r.said);
    j.while_running = NULL;
    mend(ip, t->mend);
    r.resumed = emulated_run(&j, ip, "resume", &r);
    if (r.resumed) fail_msg("%s: resume ended with %d: %s", name, r.resumed, r.said);
    emulated_verify(&j, ip, &r);
    print_message("measured: %s: %d slices, %d releases in vain, at most %d counts of %d beside, %.0f s\n",
                  name, (int)r.kept, (int)r.extra, (int)r.off_most, SPACING, r.seconds);
    if (r.off_most > OFF_MOST) fail_msg("%s: too far beside: %s", name, r.said);
    ptp_ip_stop(ip);
}

static void both(const struct trouble *t)
{
    pauses_and_resumes(PTP_RANGE_DRIVE, t);
    pauses_and_resumes(PTP_NAMED_SIZES, t);
}

static void empty_card(struct ptp_camera *c)
{
    c->opts.shots_left = 300;
}

/* Somebody else's files came to it meanwhile: before the run there was room enough. */
static void fill_card(void *arg, int pid)
{
    struct ptp_camera *c = ptp_ip_lock(arg);
    (void)pid;
    if (c->release_count >= 2 && c->opts.shots_left > 400) c->opts.shots_left = 5;
    ptp_ip_unlock(arg);
}

static void a_full_card_pauses_until_it_is_changed(void **state)
{
    (void)state;
    beside = fill_card;
    both(&(struct trouble){
        "full", "its card is full; put an empty one in", 4, {.shots_left = 500}, empty_card});
    beside = NULL;
}

static void full_range(struct ptp_camera *c)
{
    c->opts.faults.limiter_from = 0;
}

/* The lens says yes to every order and stands still: that shows in the pictures alone. From the seventh slice
 * on, to which it takes one order where steps are signed, and some to begin with where sizes are named. */
static void a_lens_held_by_its_focus_range_switch_pauses(void **state)
{
    (void)state;
    struct trouble t = {"held",
                        "the lens does not follow any more; set the switch for its focus range to full",
                        4,
                        {.faults.limiter_from = 8},
                        full_range};
    pauses_and_resumes(PTP_RANGE_DRIVE, &t);
    t.camera.faults.limiter_from = 16;
    pauses_and_resumes(PTP_NAMED_SIZES, &t);
}

static void farther_stop(struct ptp_camera *c)
{
    c->opts.lens_hi = 5000;
}

static void a_stop_that_is_told_pauses(void **state)
{
    (void)state;
    pauses_and_resumes(
        PTP_RANGE_DRIVE,
        &(struct trouble){
            "stop", "it met its far stop", 4, {.lens_lo = -5000, .lens_hi = 100}, farther_stop});
}

/* It stops in the middle of a slice's way and says that it went: that slice is shot again, too. */
static void a_silent_stop_pauses_and_its_frame_is_not_kept(void **state)
{
    (void)state;
    const struct ptp_camera_opts camera = {.lens_lo = -5000, .lens_hi = 100, .faults.silent_end_stops = 1};
    both(&(struct trouble){"silent", "the lens does not follow any more", 4, camera, farther_stop});
}

/* ---- the camera is switched off, or its battery is empty, and a person does not come at once */

struct gone {
    struct ptp_ip *ip;
    const struct emulated_job *job;
    const char *says; /* of the camera that is away */
    int32_t battery;  /* that it has left then; 0: enough */
    bool away, paused;
};

static void take_away(void *arg, int pid)
{
    struct gone *g = arg;
    const int32_t released = ptp_ip_lock(g->ip)->release_count;
    ptp_ip_unlock(g->ip);
    if (released >= 2 && g->battery) {
        ptp_ip_lock(g->ip)->opts.battery = g->battery;
        ptp_ip_unlock(g->ip);
    }
    if (released < (g->battery ? 8 : 5)) return;
    if (!g->away) ptp_ip_unplug(g->ip);
    g->away = true;
    char said[EMULATED_SAID];
    emulated_said(g->job, said);
    if (g->paused || !strstr(said, g->says)) return;
    g->paused = true; /* somebody reads that */
    kill(pid, SIGINT);
}

static void a_camera_that_stays_away(enum ptp_family family, int32_t battery, const char *says)
{
    struct gone g = {.battery = battery, .says = says};
    /* the library keeps what it was told of a battery for two seconds */
    struct emulated_job j = job_of(family, says, &(struct ptp_camera_opts){.ready_us = battery ? 500000 : 0});
    struct emulated_result r = {.resumed = -1};
    j.folder = battery ? "empty" : "gone";
    const struct ptp_camera_opts camera = emulated_camera(&j);
    g.ip = ptp_ip_start(&camera);
    j.while_running = take_away;
    j.arg = &g;
    g.job = &j;
    emulated_write(&j, g.ip);
    r.exit = emulated_run(&j, g.ip, "run", &r);
    if (r.exit != 3 || !strstr(r.said, says)) fail_msg("ended with %d: %s", r.exit, r.said);
    if (battery && !strstr(r.said, "its battery is at 6%; pause, and put a full one in"))
        fail_msg("%s", r.said);
    ptp_ip_plug(g.ip);
    struct ptp_camera *c = ptp_ip_lock(g.ip);
    c->opts.battery = 80;
    c->lens_at += 17; /* switched on again, it is not where it was */
    ptp_ip_unlock(g.ip);
    j.while_running = NULL;
    r.resumed = emulated_run(&j, g.ip, "resume", &r);
    if (r.resumed) fail_msg("resume ended with %d: %s", r.resumed, r.said);
    emulated_verify(&j, g.ip, &r);
    assert_true(r.off_most <= OFF_MOST);
    ptp_ip_stop(g.ip);
}

static void a_camera_that_is_gone_is_waited_for_and_told(void **state)
{
    (void)state;
    a_camera_that_stays_away(PTP_RANGE_DRIVE, 0, "waiting: camera");
}

static void an_empty_battery_is_told_before_and_after(void **state)
{
    (void)state;
    a_camera_that_stays_away(PTP_RANGE_DRIVE, 6, "its battery was at 6%: put a full one in");
}

/* ---- a drive that is answered busy after a second has been taken */

static void a_late_answer_is_no_reason_to_drive_twice(void **state)
{
    (void)state;
    for (enum ptp_family family = PTP_RANGE_DRIVE; family <= PTP_NAMED_SIZES; family++) {
        char name[32];
        snprintf(name, sizeof name, "late-%d", (int)family);
        struct emulated_result r;
        const struct emulated_job j =
            job_of(family, name, &(struct ptp_camera_opts){.faults.late_drive = 9, .lens_us_a_count = 300});
        emulated_shoot(&j, &r);
        assert_int_equal(r.exit, 0);
        assert_int_equal(r.off_most, 0);
        assert_int_equal(r.extra, 0);
    }
}

/* ---- what belongs to the person */

static void the_persons_own_settings_and_language_stay_and_do_no_harm(void **state)
{
    (void)state;
    static const char SETTINGS[] = "ptp2=capturetarget=sdram\ngphoto2=port=usb:\n";
    char home[300], path[400];
    uint8_t *bytes;
    size_t count;
    snprintf(home, sizeof home, "%s/somebody", test_folder());
    snprintf(path, sizeof path, "%s/.gphoto", home);
    assert_int_equal(mkdir(home, 0755), 0);
    assert_int_equal(mkdir(path, 0755), 0);
    snprintf(path, sizeof path, "%s/.gphoto/settings", home);
    FILE *f = fopen(path, "w");
    assert_non_null(f);
    fputs(SETTINGS, f);
    fclose(f);
    setenv("LC_ALL", "de_DE.UTF-8", 1); /* where installed: 5,6 and other words */
    setenv("LANGUAGE", "de", 1);
    for (enum ptp_family family = PTP_RANGE_DRIVE; family <= PTP_NAMED_SIZES; family++) {
        char name[32];
        snprintf(name, sizeof name, "home-%d", (int)family);
        struct emulated_job j = job_of(family, name, &(struct ptp_camera_opts){0});
        struct emulated_result r;
        j.home = home;
        emulated_shoot(&j, &r);
        assert_int_equal(r.exit, 0);
        assert_int_equal(fs_read(path, 10000, &bytes, &count, NULL), 0);
        assert_int_equal(count, sizeof SETTINGS - 1);
        assert_memory_equal(bytes, SETTINGS, count);
        mem_free(bytes);
    }
    unsetenv("LC_ALL");
    unsetenv("LANGUAGE");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_full_card_pauses_until_it_is_changed),
        cmocka_unit_test(a_lens_held_by_its_focus_range_switch_pauses),
        cmocka_unit_test(a_stop_that_is_told_pauses),
        cmocka_unit_test(a_silent_stop_pauses_and_its_frame_is_not_kept),
        cmocka_unit_test(a_camera_that_is_gone_is_waited_for_and_told),
        cmocka_unit_test(an_empty_battery_is_told_before_and_after),
        cmocka_unit_test(a_late_answer_is_no_reason_to_drive_twice),
        cmocka_unit_test(the_persons_own_settings_and_language_stay_and_do_no_harm),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
