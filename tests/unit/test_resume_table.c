/* What resume does with what it finds, row by row. There is no published source for these rules; they follow
 * from one of our own: one kept frame a slice, and the shutter is released again only where nobody can hand
 * over what was exposed. The expected answers are written out here, not taken from the table. */
#include "tests/support/test.h"

#include "run/resume.h"

/* Both settings: it matters only where nobody can tell. */
#define EITHER_WAY for (int ask = 0; ask <= 1; ask++)

static void nothing_is_done_about_an_exposure_that_is_over(void **state)
{
    (void)state;
    for (enum resume_file file = RESUME_NO_FILE; file <= RESUME_GOOD_FILE; file++)
        for (enum resume_held held = RESUME_UNTOLD; held <= RESUME_HOLDS; held++)
            EITHER_WAY
            {
                assert_int_equal(resume_exposure(EXPOSURE_KEPT, file, held, ask), RESUME_LEAVE);
                assert_int_equal(resume_exposure(EXPOSURE_LOST, file, held, ask), RESUME_LEAVE);
                assert_int_equal(resume_exposure(EXPOSURE_FAILED, file, held, ask), RESUME_LEAVE);
            }
}

static void what_the_camera_does_not_hold_is_fired_again(void **state)
{
    (void)state;
    EITHER_WAY
    {
        assert_int_equal(resume_exposure(EXPOSURE_FIRING, RESUME_NO_FILE, RESUME_HOLDS_NONE, ask),
                         RESUME_FIRE_AGAIN);
        assert_int_equal(resume_exposure(EXPOSURE_SEEN, RESUME_NO_FILE, RESUME_HOLDS_NONE, ask),
                         RESUME_FIRE_AGAIN);
        assert_int_equal(resume_exposure(EXPOSURE_SEEN, RESUME_BAD_FILE, RESUME_HOLDS_NONE, ask),
                         RESUME_FIRE_AGAIN);
        assert_int_equal(resume_exposure(EXPOSURE_DOUBTFUL, RESUME_NO_FILE, RESUME_HOLDS_NONE, ask),
                         RESUME_FIRE_AGAIN);
    }
}

static void what_the_camera_holds_is_fetched(void **state)
{
    (void)state;
    EITHER_WAY
    {
        assert_int_equal(resume_exposure(EXPOSURE_FIRING, RESUME_NO_FILE, RESUME_HOLDS, ask), RESUME_FETCH);
        assert_int_equal(resume_exposure(EXPOSURE_SEEN, RESUME_NO_FILE, RESUME_HOLDS, ask), RESUME_FETCH);
        assert_int_equal(resume_exposure(EXPOSURE_DOUBTFUL, RESUME_NO_FILE, RESUME_HOLDS, ask), RESUME_FETCH);
    }
}

static void a_silent_camera_leaves_a_doubt(void **state)
{
    (void)state;
    assert_int_equal(resume_exposure(EXPOSURE_FIRING, RESUME_NO_FILE, RESUME_UNTOLD, false), RESUME_DOUBT);
    assert_int_equal(resume_exposure(EXPOSURE_SEEN, RESUME_NO_FILE, RESUME_UNTOLD, false), RESUME_DOUBT);
    assert_int_equal(resume_exposure(EXPOSURE_SEEN, RESUME_BAD_FILE, RESUME_UNTOLD, false), RESUME_DOUBT);
    assert_int_equal(resume_exposure(EXPOSURE_DOUBTFUL, RESUME_NO_FILE, RESUME_UNTOLD, false), RESUME_DOUBT);
}

static void by_setting_a_silent_camera_leaves_a_question(void **state)
{
    (void)state;
    assert_int_equal(resume_exposure(EXPOSURE_FIRING, RESUME_NO_FILE, RESUME_UNTOLD, true), RESUME_ASK);
    assert_int_equal(resume_exposure(EXPOSURE_SEEN, RESUME_NO_FILE, RESUME_UNTOLD, true), RESUME_ASK);
    assert_int_equal(resume_exposure(EXPOSURE_SEEN, RESUME_BAD_FILE, RESUME_UNTOLD, true), RESUME_ASK);
    assert_int_equal(resume_exposure(EXPOSURE_DOUBTFUL, RESUME_NO_FILE, RESUME_UNTOLD, true), RESUME_ASK);
}

/* Its size was committed with SEEN, so only then is there something to compare it with. */
static void a_whole_file_is_adopted_a_bad_one_fetched_again(void **state)
{
    (void)state;
    EITHER_WAY
    {
        for (enum resume_held held = RESUME_UNTOLD; held <= RESUME_HOLDS; held++)
            assert_int_equal(resume_exposure(EXPOSURE_SEEN, RESUME_GOOD_FILE, held, ask), RESUME_ADOPT);
        assert_int_equal(resume_exposure(EXPOSURE_SEEN, RESUME_BAD_FILE, RESUME_HOLDS, ask), RESUME_FETCH);
        assert_int_equal(resume_exposure(EXPOSURE_FIRING, RESUME_GOOD_FILE, RESUME_HOLDS_NONE, ask),
                         RESUME_FIRE_AGAIN);
    }
}

static const struct axis_state STANDS = {
    .phase = AXIS_REST, .known = AXIS_KNOWN, .position_counts = 480, .nonce = 77};

static void an_axis_that_stands_where_it_stood_goes_on(void **state)
{
    (void)state;
    assert_int_equal(resume_position(&STANDS, 77, 480), RESUME_GO_ON);
}

static void any_difference_sends_it_home(void **state)
{
    (void)state;
    struct axis_state a = STANDS;
    assert_int_equal(resume_position(&a, 78, 480), RESUME_HOME);
    assert_int_equal(resume_position(&a, 77, 481), RESUME_HOME);
    assert_int_equal(resume_position(&a, STACK_NONE, 480), RESUME_HOME);
    assert_int_equal(resume_position(&a, 77, STACK_NONE), RESUME_HOME);
    a.known = AXIS_COUNTED;
    assert_int_equal(resume_position(&a, 77, 480), RESUME_HOME);
    a.known = AXIS_UNKNOWN;
    assert_int_equal(resume_position(&a, 77, 480), RESUME_HOME);
}

static void a_stop_is_cleared_an_alarm_is_a_persons(void **state)
{
    (void)state;
    struct axis_state a = STANDS;
    a.phase = AXIS_STOPPED;
    assert_int_equal(resume_position(&a, 77, 480), RESUME_CLEAR);
    a.phase = AXIS_ALARM;
    assert_int_equal(resume_position(&a, 77, 480), RESUME_ASK_A_PERSON);
    a.phase = AXIS_GONE;
    assert_int_equal(resume_position(&a, 77, 480), RESUME_ASK_A_PERSON);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_is_done_about_an_exposure_that_is_over),
        cmocka_unit_test(what_the_camera_does_not_hold_is_fired_again),
        cmocka_unit_test(what_the_camera_holds_is_fetched),
        cmocka_unit_test(a_silent_camera_leaves_a_doubt),
        cmocka_unit_test(by_setting_a_silent_camera_leaves_a_question),
        cmocka_unit_test(a_whole_file_is_adopted_a_bad_one_fetched_again),
        cmocka_unit_test(an_axis_that_stands_where_it_stood_goes_on),
        cmocka_unit_test(any_difference_sends_it_home),
        cmocka_unit_test(a_stop_is_cleared_an_alarm_is_a_persons),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
