/* A whole stack with a knob that a person turns and a camera that others fire: from the first sentence to the
 * hand-over, with all that may go wrong on the way. The person and the other program are played, on the
 * virtual clock; which frame was taken where, the played knob and the world's shutter log know. */
#include "tests/support/test.h"

#include "tests/support/by_hand.h"
#include "tests/support/faults.h"
#include "tests/support/program.h"
#include "tests/support/shell.h"
#include "tests/support/small.h"

static void a_stack_by_hand_from_the_first_turn_to_the_hand_over(void **state)
{
    (void)state;
    struct by_hand b;
    by_hand_open(&b, "whole", "");
    const char *before = fingerprint(b.other.dir);
    if (by_hand_begin(&b)) fail_msg("%s", b.why.text);
    assert_int_equal(b.result.end, RUN_WHOLE);
    assert_true(b.scene_near_nm >= 3000000 && b.scene_near_nm < 3600000); /* the subject stands at near_mm */
    by_hand_check_whole(&b);
    assert_int_equal(b.result.retakes + b.result.lost + b.result.failed, 0);
    assert_int_equal(b.other.shots, b.result.slices + 1);
    assert_true(strcmp(before, fingerprint(b.other.dir)) != 0);
    assert_non_null(strstr(b.told, "turn to 1.000 mm, coming from the near side"));
    assert_non_null(strstr(b.told, "turn to 2.000 mm: 1.000 mm deeper, 1 turn\ntake the frame now"));
    assert_non_null(strstr(b.told, "turn to 1.000 mm: 6.000 mm back, 6 turns; go back to 0.895 mm first"));
    struct said r = program("check %s --json", b.dir);
    assert_true(r.status == 0 || r.status == 1); /* six slices are few: what it says is not the point here */
    assert_non_null(strstr(r.out, "\"frames\": 7"));
    assert_null(strstr(r.out, "simulated"));
    said_clear(&r);
    r = program("handover %s --to %s-out --all", b.dir, b.dir);
    if (r.status) print_error("%s%s\n", r.out, r.err);
    assert_int_equal(r.status, 0);
    said_clear(&r);
    r = program("handover --verify %s-out", b.dir);
    assert_int_equal(r.status, 0);
    said_clear(&r);
    /* the frames handed over are the files of the folder, byte for byte; the closing frame stays */
    assert_int_equal(
        in_shell("cat whole-in/*.JPG | wc -c; cat whole/frames/*.jpg | wc -c; for f in "
                 "whole-out/*.jpg; do for g in whole-in/*; do cmp -s $f $g && echo same; done; done; true"),
        0);
    long in_folder_bytes = 0, in_stack_bytes = 0;
    assert_int_equal(sscanf(shell_out(), "%ld %ld", &in_folder_bytes, &in_stack_bytes), 2);
    assert_int_equal(in_folder_bytes, in_stack_bytes);
    int same = 0;
    for (const char *at = shell_out(); (at = strstr(at, "same")); at++)
        same++;
    assert_int_equal(same, 7);
    by_hand_close(&b);
}

/* All of them: tests/long/test_by_hand_everywhere.c */
static void killed_in_the_middle_it_goes_on_and_no_frame_is_at_a_wrong_place(void **state)
{
    (void)state;
    static const int PERCENT[] = {10, 45, 70};
    const int64_t events = by_hand_events();
    for (size_t i = 0; i < sizeof PERCENT / sizeof *PERCENT; i++)
        by_hand_kill(events * PERCENT[i] / 100);
}

static void a_wish_ends_the_wait_for_a_frame_at_once(void **state)
{
    (void)state;
    for (int wishes = 1; wishes <= 2; wishes++) {
        struct by_hand b;
        struct small_counts n;
        char name[16];
        snprintf(name, sizeof name, "wish%d", wishes);
        by_hand_open(&b, name, "");
        b.other.idle_at = 3;
        b.wishes = wishes;
        strcpy(b.waits_for, "turn to 3.000 mm"); /* the next one said is: take the frame */
        assert_int_equal(by_hand_begin(&b), E_PAUSED);
        assert_true(b.result.duration_us < 30000000); /* and not the 300 s that a frame may take */
        assert_int_equal(b.result.end, wishes == 1 ? RUN_PAUSED : RUN_HALTED);
        small_count(b.dir, &n);
        assert_int_equal(n.kept + n.lost, 2); /* a halt lets go of what is on its way */
        assert_true(wishes == 2 || n.kept == 2);
        assert_int_equal(n.firing + n.seen + n.doubtful, 0);
        if (by_hand_go_on(&b)) fail_msg("%s", b.why.text);
        by_hand_check_whole(&b);
        int before = n.kept, lost = n.lost;
        small_count(b.dir, &n);
        assert_int_equal(n.references, before);                               /* both compared with */
        assert_int_equal(b.other.shots, b.result.slices + 1 + lost + before); /* none in vain but for that */
        by_hand_close(&b);
    }
}

static void two_releases_for_one_slice_are_told_and_taken_again(void **state)
{
    (void)state;
    struct by_hand b;
    by_hand_open(&b, "twice", "");
    b.other.twice_at = 2;
    if (by_hand_begin(&b)) fail_msg("%s", b.why.text);
    by_hand_check_whole(&b);
    assert_int_equal(b.result.retakes, 1);
    bool told = false;
    for (int32_t i = 0; i < b.result.findings.count; i++)
        told = told || strstr(b.result.findings.rows[i].text, "two frames came for one");
    assert_true(told);
    by_hand_close(&b);
}

static void a_frame_that_does_not_come_is_asked_for_again_then_the_run_pauses(void **state)
{
    (void)state;
    struct by_hand b;
    by_hand_open(&b, "late", "  wait_s: 20\n");
    b.other.idle_at = 2;
    if (by_hand_begin(&b)) fail_msg("%s", b.why.text);
    by_hand_check_whole(&b);
    assert_int_equal(b.result.retakes, 1);
    by_hand_close(&b);
    by_hand_open(&b, "never", "  wait_s: 20\n");
    b.other.lag_us = INT64_C(1) << 50; /* nobody presses the shutter */
    assert_int_equal(by_hand_begin(&b), E_PAUSED);
    assert_non_null(strstr(b.why.text, "no frame came into"));
    b.other.lag_us = 2000000;
    if (by_hand_go_on(&b)) fail_msg("%s", b.why.text);
    by_hand_check_whole(&b);
    by_hand_close(&b);
}

static void a_failing_disk_pauses_and_the_frame_is_fetched_from_the_folder(void **state)
{
    (void)state;
    struct by_hand b;
    by_hand_open(&b, "full0", "");
    faults_at(0);
    assert_int_equal(by_hand_begin(&b), 0);
    const long calls = faults_calls();
    by_hand_close(&b);
    int paused = 0;
    for (long at = 1; at <= calls; at += 9) { /* writes, syncs and renames of the whole run */
        char name[32];
        snprintf(name, sizeof name, "full%ld", at);
        by_hand_open(&b, name, "");
        faults_at(at);
        int rc = by_hand_begin(&b);
        faults_off();
        if (rc == E_PAUSED) {
            paused++;
            if (by_hand_go_on(&b)) fail_msg("fault at %ld: %s", at, b.why.text);
        }
        if (rc == E_PAUSED || !rc) {
            by_hand_check_whole(&b);
            struct small_counts n;
            small_count(b.dir, &n);
            assert_true(n.references <= 2);
            assert_int_equal(b.other.shots, b.result.slices + 1 + n.references); /* no frame of it again */
        }
        by_hand_close(&b);
    }
    print_message("measured: %d of %ld failing writes paused a stack by hand\n", paused, calls);
    assert_true(paused > 0); /* a sync or a rename that failed; want of room alone is waited for */
}

/* The knob alone, before a camera that fires by itself: the person answers with a key. */
static void with_a_camera_of_its_own_the_person_is_asked_and_answers(void **state)
{
    (void)state;
    struct shoot_job job;
    struct run_result r;
    struct err why = {0};
    by_hand_write("key", false, "");
    assert_int_equal(shoot_job_read(small_path("key-job.yaml"), NULL, &job, &why), 0);
    struct by_hand b = {.waits_for = ""};
    b.person = (struct person){.tell = by_hand_tell, .key_fd = -1, .turned = by_hand_turned, .arg = &b};
    struct shoot_opts o = {
        .dir = small_path("key"), .virtual_clock = true, .workers = 1, .rig.person = &b.person};
    if (shoot_new(&job, &o, &r, &why)) fail_msg("%s", why.text);
    small_check_whole(o.dir, true);
    assert_true(b.turns >= 8);
    assert_non_null(strstr(b.told, "then press Enter"));
    assert_null(strstr(b.told, "take the frame"));
    run_result_clear(&r);
    shoot_job_clear(&job);
}

/* Nobody answers: the wish ends that wait, too, and where the knob stands is not believed afterwards. */
static void never(void *arg, struct axis *knob, int64_t target_counts)
{
    (void)knob, (void)target_counts;
    struct by_hand *b = arg;
    for (int i = 0; i < b->wishes; i++)
        bench_wish(b->rig);
}

static void a_wish_ends_the_wait_for_a_turn_at_once(void **state)
{
    (void)state;
    for (int wishes = 1; wishes <= 2; wishes++) {
        struct shoot_job job;
        char name[16];
        bool already;
        struct small_counts n;
        snprintf(name, sizeof name, "turn%d", wishes);
        by_hand_write(name, false, "");
        struct by_hand b = {.wishes = wishes};
        snprintf(b.dir, sizeof b.dir, "%s-job.yaml", small_path(name));
        assert_int_equal(shoot_job_read(b.dir, NULL, &job, NULL), 0);
        b.person = (struct person){.tell = by_hand_tell, .key_fd = -1, .asked = never, .arg = &b};
        struct shoot_opts o = {.dir = small_path(name),
                               .virtual_clock = true,
                               .workers = 1,
                               .opened = by_hand_opened,
                               .arg = &b,
                               .rig.person = &b.person};
        assert_int_equal(shoot_new(&job, &o, &b.result, &b.why), E_PAUSED);
        assert_int_equal(b.result.end, wishes == 1 ? RUN_PAUSED : RUN_HALTED);
        assert_true(b.result.duration_us < 1000000);
        assert_non_null(strstr(b.told, "leave the knob"));
        small_count(o.dir, &n);
        assert_int_equal(n.kept + n.firing + n.lost + n.failed, 0);
        run_result_clear(&b.result);
        o.rig.person = NULL; /* one is played */
        if (shoot_resume(&o, &b.result, &already, &b.why)) fail_msg("%s", b.why.text);
        small_check_whole(o.dir, true);
        run_result_clear(&b.result);
        shoot_job_clear(&job);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_stack_by_hand_from_the_first_turn_to_the_hand_over),
        cmocka_unit_test(killed_in_the_middle_it_goes_on_and_no_frame_is_at_a_wrong_place),
        cmocka_unit_test(a_wish_ends_the_wait_for_a_frame_at_once),
        cmocka_unit_test(two_releases_for_one_slice_are_told_and_taken_again),
        cmocka_unit_test(a_frame_that_does_not_come_is_asked_for_again_then_the_run_pauses),
        cmocka_unit_test(a_failing_disk_pauses_and_the_frame_is_fetched_from_the_folder),
        cmocka_unit_test(with_a_camera_of_its_own_the_person_is_asked_and_answers),
        cmocka_unit_test(a_wish_ends_the_wait_for_a_turn_at_once),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
