/* Stacks fired over a cable, whose frames stay on the camera's card until they are paired. The truth is the
 * world's own shutter log: where the plane of focus stood at each release. The n-th release of the body is
 * the n-th file of its card. That a frame has come to the right slice is told by its bytes alone. No
 * published source for what is asked of it: one frame a slice, its own, and never a release on a guess
 * (ours). */
#include "tests/support/test.h"

#include <unistd.h>

#include "base/fs.h"
#include "base/mem.h"
#include "firmware/native/native.h"
#include "sim/body.h"
#include "store/import_pair.h"
#include "store/store.h"
#include "tests/support/faults.h"
#include "tests/support/program.h"
#include "tests/support/shell.h"
#include "tests/support/small.h"

#define SHOTS_MOST 200

struct truth {
    double focus_nm[SHOTS_MOST]; /* of the n-th file of the card */
    int64_t open_us[SHOTS_MOST], shut_us[SHOTS_MOST];
    int32_t shots, ignored;
    int64_t mirror_us;
};

struct stack {
    struct shoot_job job;
    char dir[600], card[620];
    struct truth truth;
    struct rig *rig;
    int64_t kill_at, reset_us;
    int32_t resets;
};

static const struct body_clock ODD = {3723400000, 40,
                                      true}; /* 1 h 2 min 3.4 s ahead, gains 40 ppm, whole seconds */

static void begin(struct stack *s, const char *name, struct small small)
{
    memset(s, 0, sizeof *s);
    if (!small.camera) small.camera = "kind: cable";
    if (!small.width_px) small.width_px = 64, small.height_px = 48;
    small_job(name, &small, &s->job);
    snprintf(s->dir, sizeof s->dir, "%s", small_path(name));
    snprintf(s->card, sizeof s->card, "%s-card", s->dir);
}

static void read_log(void *arg, struct rig *r)
{
    struct stack *s = arg;
    const struct shot *log;
    const int32_t n = world_shots(r->world, &log);
    for (int32_t i = 0; i < n; i++, s->truth.shots++) {
        assert_true(s->truth.shots < SHOTS_MOST);
        s->truth.focus_nm[s->truth.shots] = log[i].focus_nm[0];
        s->truth.open_us[s->truth.shots] = log[i].open_us;
        s->truth.shut_us[s->truth.shots] = log[i].shut_us;
    }
    assert_int_equal(body_frames(bench_body(r)), n);
    s->truth.ignored += body_ignored(bench_body(r));
    s->truth.mirror_us = body_mirror_us(bench_body(r));
}

static bool kill_now(void *arg, int64_t events)
{
    const struct stack *s = arg;
    return s->kill_at && events >= s->kill_at;
}

static void reset_controller(void *arg)
{
    struct stack *s = arg;
    native_rail_reset(bench_controller(s->rig));
    s->resets++;
}

static void opened(void *arg, struct rig *r, struct store *st)
{
    struct stack *s = arg;
    (void)st;
    s->rig = r;
    if (s->reset_us) sched_at(r->sched, s->reset_us, reset_controller, s);
}

static struct shoot_opts opts_of(struct stack *s)
{
    return (struct shoot_opts){.dir = s->dir,
                               .virtual_clock = true,
                               .workers = 1,
                               .rig = {.card_clock = ODD},
                               .killed = kill_now,
                               .killed_arg = s,
                               .opened = opened,
                               .closing = read_log,
                               .arg = s};
}

static int shoot(struct stack *s, struct run_result *out)
{
    struct err why = {0};
    struct shoot_opts o = opts_of(s);
    const int rc = shoot_new(&s->job, &o, out, &why);
    if (rc && !s->kill_at && !s->reset_us) print_message("%s\n", why.text);
    return rc;
}

static void shoot_whole(struct stack *s)
{
    struct run_result r;
    assert_int_equal(shoot(s, &r), 0);
    assert_int_equal(r.kept, r.slices);
    assert_int_equal(r.on_card, r.slices + 1);
    run_result_clear(&r);
}

static void end(struct stack *s)
{
    shoot_job_clear(&s->job);
}

static struct said import(const struct stack *s, const char *more)
{
    return program("import --pair %s %s %s", s->dir, more, s->card);
}

static bool same_bytes(const char *a, const char *b)
{
    struct said r = shell("cmp -s %s %s", a, b);
    const bool same = r.status == 0;
    said_clear(&r);
    return same;
}

/* Of the kept frames, how many are of another place than their slice: by the world's log and the bytes. The
 * slices of the small job are 0.4 mm apart, so that the nearest one is meant. */
static int wrong_frames(const struct stack *s, int *kept_out)
{
    struct store *st;
    struct frame_row *rows;
    int32_t count;
    int wrong = 0;
    assert_int_equal(store_open(s->dir, true, &st, NULL), 0);
    assert_int_equal(store_frames(st, &rows, &count, NULL), 0);
    for (int32_t i = 0; i < count; i++) {
        char kept[900], on_card[900];
        bool found = false;
        snprintf(kept, sizeof kept, "%s/frames/%s", s->dir, rows[i].files[0].name);
        for (int32_t k = 0; k < s->truth.shots && !found; k++) {
            if (fabs(s->truth.focus_nm[k] - (double)rows[i].target_nm) > 60000) continue;
            snprintf(on_card, sizeof on_card, "%s/card_%05d.jpg", s->card, (int)k + 1);
            found = same_bytes(kept, on_card);
        }
        wrong += !found;
    }
    *kept_out = count;
    mem_free(rows);
    store_close(st);
    return wrong;
}

static void check_truth(const struct stack *s, int wanted)
{
    int kept = 0;
    assert_int_equal(wrong_frames(s, &kept), 0);
    assert_int_equal(kept, wanted);
}

static void a_stack_by_cable_is_paired_and_found_whole(void **state)
{
    (void)state;
    struct stack s;
    begin(&s, "whole", (struct small){.width_px = 160, .height_px = 120});
    shoot_whole(&s);
    struct said r = program("check %s", s.dir);
    assert_int_equal(r.status, 2);
    assert_non_null(strstr(r.err,
                           "its 11 frames are still on the camera's card; bring them with 'staddle import "
                           "--pair "));
    said_clear(&r);
    r = program("handover %s --to %s-out", s.dir, s.dir);
    assert_int_equal(r.status, 2);
    said_clear(&r);
    r = import(&s, "");
    print_message("%s", r.out);
    assert_int_equal(r.status, 0);
    assert_non_null(strstr(r.out, "11 frames brought"));
    assert_non_null(strstr(r.out, "1 h 2 min 3."));
    said_clear(&r);
    check_truth(&s, 10);
    small_check_whole(s.dir, true);
    char before[64];
    snprintf(before, sizeof before, "%.60s", fingerprint(s.dir));
    r = import(&s, "");
    assert_int_equal(r.status, 0);
    assert_non_null(strstr(r.out, "0 frames brought"));
    assert_non_null(strstr(r.out, "11 here already"));
    said_clear(&r);
    check_truth(&s, 10);
    r = program("check %s --json --quiet", s.dir);
    assert_true(r.status <= 1);
    assert_non_null(strstr(r.out, "\"frames\": 10"));
    said_clear(&r);
    r = program("handover %s --to %s-out --all", s.dir, s.dir);
    assert_int_equal(r.status, 0);
    said_clear(&r);
    end(&s);
}

static void a_wrong_pairing_would_be_noticed(void **state)
{
    (void)state;
    struct stack s;
    int kept;
    begin(&s, "planted", (struct small){0});
    shoot_whole(&s);
    struct said r = import(&s, "");
    assert_int_equal(r.status, 0);
    said_clear(&r);
    check_truth(&s, 10);
    r = shell("cd %s/frames && mv s0004.jpg x && mv s0005.jpg s0004.jpg && mv x s0005.jpg", s.dir);
    said_clear(&r);
    assert_int_equal(wrong_frames(&s, &kept), 2);
    end(&s);
}

static void missing_and_foreign_frames_are_named(void **state)
{
    (void)state;
    struct stack s, other;
    begin(&s, "gaps", (struct small){0});
    shoot_whole(&s);
    begin(&other, "foreign", (struct small){.slices = 2});
    struct run_result run;
    struct shoot_opts o = opts_of(&other);
    o.rig.card_clock = (struct body_clock){.ahead_us = 3723400000 - 300000000}; /* five minutes before */
    assert_int_equal(shoot_new(&other.job, &o, &run, NULL), 0);
    run_result_clear(&run);
    struct said r =
        shell("rm %s/card_00005.jpg && cp %s/card_00001.jpg %s/a_test.jpg && cp %s/card_00003.jpg "
              "%s/card_00003.dng",
              s.card, other.card, s.card, s.card, s.card);
    assert_int_equal(r.status, 0);
    said_clear(&r);
    r = import(&s, "");
    print_message("%s%s", r.out, r.err);
    assert_int_equal(r.status, 1); /* done, but the stack is incomplete */
    assert_non_null(strstr(r.out, "missing: slice 5 was fired"));
    assert_non_null(strstr(r.out, "left there: a_test.jpg belongs to no exposure (before slice 1)"));
    said_clear(&r);
    check_truth(&s, 9);
    r = shell("ls %s/frames/s0003.dng %s/frames/s0003.jpg && ! ls %s/frames | grep -q s0005", s.dir, s.dir,
              s.dir);
    assert_int_equal(r.status, 0); /* both files of the third */
    said_clear(&r);
    end(&s);
    end(&other);
}

static void what_is_ambiguous_changes_nothing_until_it_is_said(void **state)
{
    (void)state;
    struct stack s;
    char before[80];
    begin(&s, "ambiguous", (struct small){0});
    shoot_whole(&s);
    struct said r =
        shell("rm %s/card_00011.jpg %s/card_00010.jpg", s.card, s.card); /* closing frame and last slice */
    said_clear(&r);
    snprintf(before, sizeof before, "%.75s", fingerprint(s.dir));
    r = import(&s, "");
    print_message("%s", r.err);
    assert_int_equal(r.status, 2);
    assert_non_null(strstr(r.err, "in more than one way"));
    assert_non_null(strstr(r.err, "--first"));
    said_clear(&r);
    r = shell("ls %s/frames | wc -l", s.dir);
    assert_int_equal(atoi(r.out), 0);
    said_clear(&r);
    r = import(&s, "--first card_00001.jpg");
    assert_int_equal(r.status, 1);
    assert_non_null(strstr(r.out, "missing: slice 10"));
    assert_non_null(strstr(r.out, "missing: the closing frame"));
    said_clear(&r);
    check_truth(&s, 9);
    end(&s);
}

/* Each write, sync and rename fails once; the same command goes on. */
static void broken_off_anywhere_it_goes_on(void **state)
{
    (void)state;
    struct stack s;
    struct store *st;
    struct import_list list;
    struct pair_result found;
    struct err why = {0};
    int breaks = 0;
    begin(&s, "broken", (struct small){.slices = 2});
    shoot_whole(&s);
    for (long at = 1;; at += 3) {
        assert_int_equal(store_open(s.dir, false, &st, &why), 0);
        assert_int_equal(import_scan(s.card, &list, &why), 0);
        int rc = import_pair_find(st, &list, NULL, &found, &why);
        if (rc) fail_msg("%s", why.text);
        faults_at(at);
        rc = import_pair_bring(st, &list, &found, &why);
        const bool happened = faults_happened();
        faults_off();
        import_pair_clear(&found);
        import_list_clear(&list);
        store_close(st);
        assert_true(happened || rc == 0);
        breaks += rc != 0;
        small_check_consistent(s.dir);
        if (!happened) break;
    }
    assert_true(breaks > 2);
    small_check_whole(s.dir, true);
    check_truth(&s, 6);
    end(&s);
}

/* Killed at that event, gone on with until it is whole, then paired. */
static void a_run_that_is_killed_anywhere_is_gone_on_with_and_paired(void **state)
{
    (void)state;
    int killed = 0, doubtful = 0;
    for (int64_t at = 8; at < 140; at += 11) {
        struct stack s;
        struct run_result run;
        char name[32];
        bool already;
        struct err why = {0};
        snprintf(name, sizeof name, "killed-%d", (int)at);
        begin(&s, name, (struct small){.slices = 2});
        s.kill_at = at;
        const int rc = shoot(&s, &run);
        run_result_clear(&run);
        if (rc == 0) break;
        killed++;
        s.kill_at = 0;
        struct shoot_opts o = opts_of(&s);
        const int again = shoot_resume(&o, &run, &already, &why);
        if (again) fail_msg("killed at %d: %s", (int)at, why.text);
        doubtful += run.doubtful;
        /* never more releases than exposures that are on record */
        assert_true(s.truth.shots <= run.slices + 1 + run.doubtful);
        run_result_clear(&run);
        struct said r = import(&s, "");
        if (r.status) fail_msg("killed at %d: %s%s", (int)at, r.out, r.err);
        said_clear(&r);
        check_truth(&s, 6);
        small_check_whole(s.dir, true);
        end(&s);
    }
    print_message(
        "measured: cable stacks killed at %d instants and gone on with: %d exposures in doubt, all whole\n",
        killed, doubtful);
    assert_true(killed > 6);
}

static void a_controller_that_restarts_leaves_a_doubt_that_is_shot_again(void **state)
{
    (void)state;
    int lost = 0;
    for (int64_t at = 9000000; at < 13000000; at += 350000) {
        struct stack s;
        struct run_result run;
        char name[32];
        snprintf(name, sizeof name, "reset-%d", (int)(at / 1000));
        begin(&s, name, (struct small){.slices = 2});
        s.reset_us = at;
        const int rc = shoot(&s, &run);
        assert_int_equal(rc, 0);
        assert_int_equal(s.resets, 1);
        assert_int_equal(run.kept, run.slices);
        assert_true(s.truth.shots <= run.slices + 1 + run.lost + run.failed + run.retakes);
        lost += run.lost + run.retakes;
        run_result_clear(&run);
        struct said r = import(&s, "");
        if (r.status) fail_msg("restart at %d: %s%s", (int)at, r.out, r.err);
        said_clear(&r);
        check_truth(&s, 6);
        end(&s);
    }
    print_message(
        "measured: cable stacks with a restart of the controller: 12 instants, %d exposures shot again\n",
        lost);
    assert_true(lost > 0);
}

/* In doubt and to be asked: nothing is fired again until the card, or a person, has told. */
static void by_setting_the_card_ends_the_doubt(void **state)
{
    (void)state;
    int asked = 0, told_by_card = 0;
    for (int64_t at = 9000000; at < 13000000; at += 350000) {
        struct stack s;
        struct run_result run;
        struct err why = {0};
        char name[32];
        bool already;
        snprintf(name, sizeof name, "asked-%d", (int)(at / 1000));
        begin(&s, name, (struct small){.slices = 2, .job = "doubtful: ask\n"});
        s.reset_us = at;
        struct shoot_opts o = opts_of(&s);
        int rc = shoot_new(&s.job, &o, &run, &why);
        run_result_clear(&run);
        s.reset_us = 0;
        if (rc) {
            const int32_t before = s.truth.shots;
            assert_int_equal(rc, E_STATE);
            assert_non_null(strstr(why.text, "import --pair"));
            struct said r = import(&s, "");
            told_by_card += strstr(r.out, "frames brought") || strstr(r.out, "frame brought");
            said_clear(&r);
            rc = shoot_resume(&o, &run, &already, &why); /* the card has told, or it asks again */
            run_result_clear(&run);
            if (rc) {
                assert_int_equal(rc, E_STATE);
                assert_int_equal(s.truth.shots, before); /* nothing on a guess */
                o.doubt = DOUBT_SHOOT_AGAIN;
                rc = shoot_resume(&o, &run, &already, &why);
                run_result_clear(&run);
            }
            asked++;
        }
        if (rc) fail_msg("restart at %d: %s", (int)at, why.text);
        struct said r = import(&s, "");
        if (r.status) fail_msg("restart at %d: %s%s", (int)at, r.out, r.err);
        said_clear(&r);
        check_truth(&s, 6);
        end(&s);
    }
    print_message("measured: asked in doubt at %d of 12 instants, %d times the card was brought first\n",
                  asked, told_by_card);
    assert_true(asked > 0);
}

static void bulb_is_open_as_long_as_the_job_says(void **state)
{
    (void)state;
    struct stack s;
    begin(&s, "bulb",
          (struct small){.slices = 2, .exposure_s = 2, .camera = "kind: cable\n  bulb_from_s: 1"});
    shoot_whole(&s);
    for (int32_t i = 0; i < s.truth.shots; i++)
        assert_in_range(s.truth.shut_us[i] - s.truth.open_us[i], 1999000, 2001000);
    assert_int_equal(s.truth.ignored, 0);
    end(&s);
}

static void the_mirror_is_up_before_each_exposure(void **state)
{
    (void)state;
    struct stack s;
    begin(&s, "mirror", (struct small){.slices = 2, .camera = "kind: cable\n  mirror_up_s: 1.5"});
    shoot_whole(&s);
    assert_true(s.truth.mirror_us >= 1500000);
    assert_int_equal(s.truth.ignored, 0);
    struct said r = import(&s, "");
    assert_int_equal(r.status, 0);
    said_clear(&r);
    check_truth(&s, 6);
    print_message("measured: on a cable the mirror is up for %.2f s at least, 1.5 s asked\n",
                  (double)s.truth.mirror_us / 1e6);
    end(&s);
}

static void a_flash_is_given_time_to_recycle(void **state)
{
    (void)state;
    struct stack s;
    begin(&s, "flash", (struct small){.slices = 2, .flash = true});
    shoot_whole(&s);
    for (int32_t i = 1; i < s.truth.shots; i++)
        assert_true(s.truth.open_us[i] - s.truth.open_us[i - 1] >= 2000000);
    end(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_stack_by_cable_is_paired_and_found_whole),
        cmocka_unit_test(a_wrong_pairing_would_be_noticed),
        cmocka_unit_test(missing_and_foreign_frames_are_named),
        cmocka_unit_test(what_is_ambiguous_changes_nothing_until_it_is_said),
        cmocka_unit_test(broken_off_anywhere_it_goes_on),
        cmocka_unit_test(a_run_that_is_killed_anywhere_is_gone_on_with_and_paired),
        cmocka_unit_test(a_controller_that_restarts_leaves_a_doubt_that_is_shot_again),
        cmocka_unit_test(by_setting_the_card_ends_the_doubt),
        cmocka_unit_test(bulb_is_open_as_long_as_the_job_says),
        cmocka_unit_test(the_mirror_is_up_before_each_exposure),
        cmocka_unit_test(a_flash_is_given_time_to_recycle),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
