/* A knob turned by hand: what the person is told, what counts as an answer, and that nothing is believed that
 * nobody said. The sentences are this program's own: no outside source. Places and marks in them are worked
 * out by hand from the scale (1 mm a turn, 100 marks, half marks). */
#include "tests/support/test.h"

#include <unistd.h>

#include "tests/support/hand_rig.h"

static struct rig *ready(struct rig *g)
{
    assert_true(rig_until(g, AXIS_REST, 1000000));
    return g;
}

static void turn(struct rig *g, int64_t counts)
{
    assert_int_equal(axis_move_to(g->axis, counts, NULL), 0);
    assert_true(rig_until(g, AXIS_REST, 2000000));
}

static void the_person_is_told_where_which_way_and_how_far(void **state)
{
    (void)state;
    struct rig *g = ready(hand_rig_open());
    static const struct {
        int64_t counts;
        const char *told;
    } WAYS[] = {
        {680, "turn to 3.400 mm, coming from the near side, from 3.295 mm or less; then press Enter"},
        {690, "turn to 3.450 mm: 0.050 mm deeper, 5 marks; then press Enter"},
        {691, "turn to 3.455 mm: 0.005 mm deeper, 0.5 mark; then press Enter"},
        {1116, "turn to 5.580 mm: 2.125 mm deeper, 2 turns and 12.5 marks; then press Enter"},
        {916, "turn to 4.580 mm: 1.000 mm back, 1 turn; go back to 4.475 mm first and come from there; then "
              "press Enter"},
    };
    for (size_t i = 0; i < sizeof WAYS / sizeof *WAYS; i++) {
        turn(g, WAYS[i].counts);
        assert_string_equal(hand_rig_told(NULL), WAYS[i].told);
        assert_int_equal(g->place, WAYS[i].counts);
    }
    rig_close(g);
}

static void the_position_is_counted_and_never_known(void **state)
{
    (void)state;
    struct rig *g = ready(hand_rig_open());
    assert_int_equal(rig_state(g).known, AXIS_UNKNOWN);
    turn(g, 100);
    assert_int_equal(rig_state(g).known, AXIS_COUNTED);
    assert_int_equal(rig_state(g).uncertainty_counts, 1); /* half a mark */
    assert_int_equal(axis_here(g->axis, 5, NULL), 0);
    assert_int_equal(rig_state(g).known, AXIS_COUNTED);
    assert_int_equal(rig_state(g).position_counts, 5);
    rig_close(g);
}

static void without_an_answer_it_waits_as_long_as_it_takes(void **state)
{
    (void)state;
    struct rig *g = ready(hand_rig_open());
    hand_rig_person(false);
    assert_int_equal(axis_move_to(g->axis, 100, NULL), 0);
    rig_run_us(g, INT64_C(86400) * 1000000);
    assert_int_equal(rig_state(g).phase, AXIS_MOVING);
    axis_hand_done(g->axis);
    assert_int_equal(rig_state(g).phase, AXIS_REST);
    axis_hand_done(g->axis); /* once more, with nothing asked */
    assert_int_equal(rig_state(g).position_counts, 100);
    rig_close(g);
}

static void halted_in_mid_turn_nobody_knows_where_it_stands(void **state)
{
    (void)state;
    struct rig *g = ready(hand_rig_open());
    turn(g, 100);
    assert_int_equal(axis_move_to(g->axis, 200, NULL), 0);
    rig_run_us(g, 200000);
    assert_true(g->place > 100 && g->place < 200);
    assert_int_equal(axis_halt(g->axis, NULL), 0);
    assert_non_null(strstr(hand_rig_told(NULL), "leave the knob"));
    assert_int_equal(rig_state(g).known, AXIS_UNKNOWN);
    axis_hand_done(g->axis); /* too late */
    assert_int_equal(rig_state(g).phase, AXIS_STOPPED);
    assert_int_equal(axis_clear(g->axis, NULL), 0);
    assert_true(rig_until(g, AXIS_REST, 1000000));
    turn(g, 200);
    assert_int_equal(rig_state(g).known, AXIS_COUNTED);
    assert_int_equal(g->place, 200);
    rig_close(g);
}

static void where_it_stands_nobody_is_asked(void **state)
{
    (void)state;
    int before, after;
    struct rig *g = ready(hand_rig_open());
    turn(g, 100);
    hand_rig_told(&before);
    turn(g, 100);
    hand_rig_told(&after);
    assert_int_equal(after, before);
    rig_close(g);
}

static void from_an_unknown_place_a_distance_leaves_it_unknown(void **state)
{
    (void)state;
    struct rig *g = ready(hand_rig_open());
    assert_int_equal(axis_jog(g->axis, -4, NULL), 0);
    assert_string_equal(hand_rig_told(NULL), "turn 0.020 mm back, 2 marks; then press Enter");
    assert_true(rig_until(g, AXIS_REST, 2000000));
    assert_int_equal(rig_state(g).known, AXIS_UNKNOWN);
    turn(g, 50);
    assert_int_equal(axis_jog(g->axis, 10, NULL), 0);
    assert_true(rig_until(g, AXIS_REST, 2000000));
    assert_int_equal(rig_state(g).position_counts, 60);
    rig_close(g);
}

static void where_frames_answer_a_turn_is_told_and_not_waited_for(void **state)
{
    (void)state;
    struct rig *g = ready(hand_rig_open_frames());
    const int64_t now = sched_now_us(g->sched);
    assert_int_equal(axis_move_to(g->axis, 100, NULL), 0);
    assert_string_equal(hand_rig_told(NULL),
                        "turn to 0.500 mm, coming from the near side, from 0.395 mm or less");
    assert_true(rig_until(g, AXIS_REST, 1000000));
    assert_int_equal(sched_now_us(g->sched), now);
    assert_int_equal(axis_halt(g->axis, NULL), 0); /* was it turned, before? */
    assert_int_equal(rig_state(g).known, AXIS_UNKNOWN);
    rig_close(g);
}

/* --- a real key: a pipe in place of the keyboard, and the real clock --- */

struct at_pipe {
    struct sched *sched;
    struct axis *axis;
    struct person person;
    int ends[2];
};

static struct axis_state look(struct at_pipe *p)
{
    struct axis_state st;
    assert_int_equal(axis_poll(p->axis, &st, NULL), 0);
    return st;
}

/* Steps until the phase is that one; what is there already needs no waiting. */
static bool comes_to(struct at_pipe *p, enum axis_phase phase)
{
    const int64_t until = sched_now_us(p->sched) + 2000000;
    while (look(p).phase != phase)
        if (!sched_step(p->sched, until)) return false;
    return true;
}

static void open_pipe(struct at_pipe *p)
{
    assert_int_equal(pipe(p->ends), 0);
    p->sched = sched_new_real(NULL);
    p->person = (struct person){.key_fd = p->ends[0]};
    const struct axis_hand_opts o = {.nm_per_count_num = 5000,
                                     .nm_per_count_den = 1,
                                     .marks_per_turn = 100,
                                     .counts_per_mark = 2,
                                     .asks_surely = true,
                                     .person = &p->person};
    assert_int_equal(axis_hand_open(p->sched, &o, &p->axis, NULL), 0);
    assert_true(comes_to(p, AXIS_REST));
}

static void close_pipe(struct at_pipe *p)
{
    axis_close(p->axis);
    sched_free(p->sched);
    close(p->ends[0]);
    if (p->ends[1] >= 0) close(p->ends[1]);
}

static void press(struct at_pipe *p, const char *keys)
{
    assert_int_equal(write(p->ends[1], keys, strlen(keys)), (ssize_t)strlen(keys));
}

static void enter_says_that_it_is_turned_and_no_other_key_does(void **state)
{
    (void)state;
    struct at_pipe p;
    open_pipe(&p);
    assert_int_equal(axis_move_to(p.axis, 100, NULL), 0);
    press(&p, "xy ");
    assert_true(sched_step(p.sched, sched_now_us(p.sched) + 2000000));
    assert_int_equal(look(&p).phase, AXIS_MOVING);
    press(&p, "\n");
    assert_true(comes_to(&p, AXIS_REST));
    assert_int_equal(look(&p).position_counts, 100);
    close_pipe(&p);
}

static void enter_before_the_question_counts_for_nothing(void **state)
{
    (void)state;
    struct at_pipe p;
    open_pipe(&p);
    press(&p, "\n\n\n");
    assert_true(sched_step(p.sched, sched_now_us(p.sched) + 2000000)); /* read, and forgotten */
    assert_int_equal(axis_move_to(p.axis, 100, NULL), 0);
    assert_false(sched_step(p.sched, sched_now_us(p.sched)));
    assert_int_equal(look(&p).phase, AXIS_MOVING);
    close_pipe(&p);
}

static void when_the_input_ends_it_stops_and_says_so(void **state)
{
    (void)state;
    struct at_pipe p;
    struct err why;
    open_pipe(&p);
    assert_int_equal(axis_move_to(p.axis, 100, NULL), 0);
    close(p.ends[1]);
    p.ends[1] = -1;
    assert_true(comes_to(&p, AXIS_STOPPED));
    assert_int_equal(look(&p).why.code, E_STATE);
    assert_int_equal(look(&p).known, AXIS_UNKNOWN);
    assert_int_equal(axis_clear(p.axis, NULL), 0);
    assert_true(comes_to(&p, AXIS_REST));
    assert_int_equal(axis_move_to(p.axis, 100, &why), E_STATE);
    assert_non_null(strstr(why.text, "run it on a terminal"));
    close_pipe(&p);
}

static void where_nobody_can_answer_it_says_so_before_anything_else(void **state)
{
    (void)state;
    struct sched *sched = sched_new_real(NULL);
    struct axis *ax = NULL;
    struct err why;
    FILE *file = tmpfile(); /* ends by itself: nobody types into it */
    assert_non_null(file);
    const struct person person = {.key_fd = fileno(file)};
    struct axis_hand_opts o = {.nm_per_count_num = 5000,
                               .nm_per_count_den = 1,
                               .marks_per_turn = 100,
                               .counts_per_mark = 2,
                               .asks_surely = true,
                               .person = &person};
    assert_int_equal(axis_hand_open(sched, &o, &ax, &why), E_STATE);
    o.asks_surely = false;
    assert_int_equal(axis_hand_open(sched, &o, &ax, &why), 0);
    axis_close(ax);
    fclose(file);
    sched_free(sched);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_person_is_told_where_which_way_and_how_far),
        cmocka_unit_test(the_position_is_counted_and_never_known),
        cmocka_unit_test(without_an_answer_it_waits_as_long_as_it_takes),
        cmocka_unit_test(halted_in_mid_turn_nobody_knows_where_it_stands),
        cmocka_unit_test(where_it_stands_nobody_is_asked),
        cmocka_unit_test(from_an_unknown_place_a_distance_leaves_it_unknown),
        cmocka_unit_test(where_frames_answer_a_turn_is_told_and_not_waited_for),
        cmocka_unit_test(enter_says_that_it_is_turned_and_no_other_key_does),
        cmocka_unit_test(enter_before_the_question_counts_for_nothing),
        cmocka_unit_test(when_the_input_ends_it_stops_and_says_so),
        cmocka_unit_test(where_nobody_can_answer_it_says_so_before_anything_else),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
