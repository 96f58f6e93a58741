/* The rail's axis and its line: what it makes of a slow, bad, dead or restarted controller. The truth is the
 * carriage. */
#include "tests/support/test.h"

#include "base/mem.h"
#include "tests/support/bad_cable.h"
#include "tests/support/rail_rig.h"

static struct rig *homed(struct rig_opts o)
{
    struct rig *g = rig_open(&o);
    assert_true(rig_until(g, AXIS_REST, 1000000));
    assert_int_equal(axis_home(g->axis, NULL), 0);
    assert_true(rig_until(g, AXIS_REST, 60000000));
    assert_int_equal(rig_state(g).known, AXIS_KNOWN);
    rig_forget_edges(g);
    return g;
}

static int64_t zero_of(struct rig *g)
{
    return g->place - rig_state(g).position_counts;
}

static void move(struct rig *g, int64_t target)
{
    assert_int_equal(axis_move_to(g->axis, target, NULL), 0);
    assert_true(rig_until(g, AXIS_REST, 60000000));
    assert_int_equal(rig_state(g).position_counts, target);
}

/* --- time --- */

/* 1 ms of latency each way and 40 us a byte: a reply of some 55 bytes takes 3.2 ms to come, and the promise
 * is rounded up to whole milliseconds. The promised end itself is known while the rail still moves. */
static void rest_is_promised_exactly_and_known_promptly(void **state)
{
    (void)state;
    struct rig *g = homed((struct rig_opts){0});
    double worst_promise_ms = 0, worst_seen_ms = 0;
    srand(4);
    for (int i = 0; i < 200; i++) {
        rig_forget_edges(g);
        int64_t target = rand() % 3000 + 200;
        if (target == rig_state(g).position_counts) continue;
        assert_int_equal(axis_move_to(g->axis, target, NULL), 0);
        assert_true(rig_until(g, AXIS_REST, 60000000));
        double last_ms = (double)g->edge_ns[g->edges - 1] * 1e-6;
        double promise_ms = (double)rig_state(g).rest_at_us * 1e-3 - last_ms;
        double seen_ms = (double)g->rest_seen_us * 1e-3 - last_ms;
        assert_true(promise_ms >= 0 && promise_ms < 1.2);
        assert_true(seen_ms >= 0 && seen_ms < 4.6);
        worst_promise_ms = fmax(worst_promise_ms, promise_ms);
        worst_seen_ms = fmax(worst_seen_ms, seen_ms);
        rig_run_us(g, rand() % 300000);
    }
    printf("measured: rail: rest promised at most %.2f ms after the last edge, confirmed at most %.2f ms "
           "after it\n",
           worst_promise_ms, worst_seen_ms);
    rig_close(g);
}

static void the_promise_holds_at_any_latency(void **state)
{
    (void)state;
    static const int64_t LATENCY[] = {-1, 300, 1000, 5000, 16000};
    for (size_t i = 0; i < sizeof LATENCY / sizeof *LATENCY; i++) {
        struct rig *g = homed((struct rig_opts){.link.latency_us = LATENCY[i]});
        for (int64_t target = 1000; target < 1010; target++) {
            rig_forget_edges(g);
            move(g, target % 2 ? target : target + 500);
            int64_t late_us = rig_state(g).rest_at_us - g->edge_ns[g->edges - 1] / 1000;
            assert_in_range(late_us, 0, 1200);
        }
        rig_close(g);
    }
}

static void a_resting_rail_is_asked_twice_a_second_and_a_moving_one_ten_times(void **state)
{
    (void)state;
    struct rig *g = homed((struct rig_opts){0});
    struct axis_rail_counts before, after;
    axis_rail_get_counts(g->axis, &before);
    rig_run_us(g, 10000000);
    axis_rail_get_counts(g->axis, &after);
    assert_in_range(after.sent - before.sent, 19, 21);
    assert_int_equal(axis_move_to(g->axis, 90000, NULL), 0);
    axis_rail_get_counts(g->axis, &before);
    rig_run_us(g, 5000000);
    axis_rail_get_counts(g->axis, &after);
    assert_int_equal(rig_state(g).phase, AXIS_MOVING);
    assert_in_range(after.sent - before.sent, 45, 52);
    rig_close(g);
}

/* --- a bad cable --- */

static void no_command_goes_wrong_on_a_bad_cable(void **state)
{
    (void)state;
    bad_cable_commands(20000, (struct rig_damage){1000, 8});
}

static void a_very_bad_cable_moves_nothing_wrong_either(void **state)
{
    (void)state;
    struct rig *g = homed((struct rig_opts){.damage = {60, 5}, .axis.port = "a very bad cable"});
    int64_t zero = zero_of(g);
    int moved = 0, gone = 0;
    for (int i = 0; i < 400 && !gone; i++) {
        int64_t target = 500 + i % 7 * 10;
        int rc = axis_move_to(g->axis, target, NULL);
        if (rc) {
            assert_int_equal(rig_state(g).phase, AXIS_STOPPED);
            assert_int_equal(axis_clear(g->axis, NULL), 0);
        }
        if (!rig_until(g, AXIS_REST, 5000000)) {
            struct axis_state st = rig_state(g);
            gone = st.phase == AXIS_GONE;
            if (st.phase == AXIS_STOPPED) axis_clear(g->axis, NULL); /* the rail heard nothing for a second */
            rig_until(g, AXIS_REST, 5000000);
            continue;
        }
        moved += !rc;
        assert_int_equal(g->place, zero + rig_state(g).position_counts);
    }
    assert_true(moved > 50);
    rig_close(g);
}

static void a_lost_reply_is_not_a_second_move(void **state)
{
    (void)state;
    /* 0: the reply comes before the repeats are used up; 1: the line is resynchronised. */
    for (int round = 0; round < 2; round++) {
        struct rig *g = homed((struct rig_opts){0});
        struct axis_rail_counts counts;
        int64_t at = g->place;
        rig_run_us(g, 100000);
        assert_int_equal(axis_jog(g->axis, 70, NULL), 0);
        g->lose_replies = true;
        rig_run_us(g, round ? 450000 : 130000);
        g->lose_replies = false;
        assert_true(rig_until(g, AXIS_REST, 3000000));
        assert_int_equal(g->place - at, 70);
        assert_int_equal(g->edges, 70);
        axis_rail_get_counts(g->axis, &counts);
        assert_int_equal(counts.resynchronised, round);
        rig_close(g);
    }
}

static void a_lost_request_is_asked_again(void **state)
{
    (void)state;
    struct rig *g = homed((struct rig_opts){0});
    int64_t at = g->place;
    rig_run_us(g, 100000);
    assert_int_equal(axis_jog(g->axis, 70, NULL), 0);
    rig_run_us(g, 500000);
    g->lose_requests = true;
    assert_int_equal(axis_jog(g->axis, -30, NULL), 0);
    rig_run_us(g, 450000);
    g->lose_requests = false;
    assert_true(rig_until(g, AXIS_REST, 3000000));
    assert_int_equal(g->place - at, 40);
    assert_int_equal(g->edges, 100);
    rig_close(g);
}

static void an_answer_that_comes_twice_answers_one_request(void **state)
{
    (void)state;
    struct rig *g = homed((struct rig_opts){0});
    int64_t zero = zero_of(g);
    g->double_replies = true;
    for (int64_t target = 1000; target < 1040; target++) {
        rig_forget_edges(g);
        move(g, target % 2 ? target : target + 500);
        assert_int_equal(g->place - zero, rig_state(g).position_counts);
        assert_in_range(rig_state(g).rest_at_us - g->edge_ns[g->edges - 1] / 1000, 0, 1200);
    }
    rig_close(g);
}

/* --- a dead or restarted controller --- */

static void a_silent_port_is_named_with_what_to_do(void **state)
{
    (void)state;
    struct rig *g = rig_open(&(struct rig_opts){.axis.port = "the rail's port"});
    g->lose_replies = true;
    assert_true(rig_until(g, AXIS_GONE, 2000000));
    struct axis_state st = rig_state(g);
    assert_int_equal(st.why.code, E_TIMEOUT);
    assert_string_equal(
        st.why.text,
        "rail: no reply to hello after 5 repeats on the rail's port; is the controller powered?");
    assert_int_equal(axis_move_to(g->axis, 5, NULL), E_TIMEOUT);
    assert_int_equal(axis_halt(g->axis, NULL), E_TIMEOUT);
    int notices = g->notices;
    rig_run_us(g, 5000000);
    assert_int_equal(g->notices, notices);
    rig_close(g);
}

static void a_line_that_dies_in_a_move_is_named_and_the_rail_stops(void **state)
{
    (void)state;
    struct rig *g = homed((struct rig_opts){.axis.port = "the rail's port"});
    assert_int_equal(axis_move_to(g->axis, 90000, NULL), 0);
    g->lose_replies = g->lose_requests = true;
    assert_true(rig_until(g, AXIS_GONE, 3000000));
    assert_string_equal(
        rig_state(g).why.text,
        "rail: no reply to go after 5 repeats on the rail's port; is the controller powered?");
    rig_run_us(g, 3000000);
    assert_true(g->edges < 30000);
    rig_close(g);
}

static void a_restart_makes_the_position_unknown_until_homed(void **state)
{
    (void)state;
    struct rig *g = homed((struct rig_opts){.axis = {.lo_counts = -10, .hi_counts = 5000}});
    int64_t nonce = rig_state(g).nonce;
    move(g, 1000);
    native_rail_reset(g->controller);
    assert_true(rig_until(g, AXIS_STOPPED, 600000));
    struct axis_state st = rig_state(g);
    assert_int_equal(st.known, AXIS_UNKNOWN);
    assert_int_not_equal(st.nonce, nonce);
    assert_int_equal(st.why.code, E_STATE);
    assert_int_equal(axis_move_to(g->axis, 1200, NULL), E_STATE);
    rig_run_us(g, 2000000);
    assert_int_equal(rig_state(g).phase, AXIS_STOPPED); /* until somebody says that it is seen */
    assert_int_equal(axis_clear(g->axis, NULL), 0);
    assert_true(rig_until(g, AXIS_REST, 1000000));
    assert_int_equal(axis_move_to(g->axis, 1200, NULL), E_STATE);
    assert_int_equal(axis_home(g->axis, NULL), 0);
    assert_true(rig_until(g, AXIS_REST, 60000000));
    move(g, 1200);
    /* The limits were told again: the controller itself refuses what lies beyond. */
    assert_int_equal(axis_jog(g->axis, 4000, NULL), 0);
    assert_true(rig_until(g, AXIS_STOPPED, 1000000));
    assert_non_null(strstr(rig_state(g).why.text, "limit"));
    rig_close(g);
}

static void a_restart_in_a_move_is_noticed_by_the_next_reply(void **state)
{
    (void)state;
    struct rig *g = homed((struct rig_opts){0});
    assert_int_equal(axis_move_to(g->axis, 50000, NULL), 0);
    rig_run_us(g, 500000);
    g->lose_replies = true; /* also the boot line */
    native_rail_reset(g->controller);
    rig_run_us(g, 5000);
    g->lose_replies = false;
    assert_true(rig_until(g, AXIS_STOPPED, 600000));
    assert_int_equal(rig_state(g).known, AXIS_UNKNOWN);
    int32_t edges = g->edges;
    rig_run_us(g, 2000000);
    assert_int_equal(g->edges, edges);
    rig_close(g);
}

static void a_rail_that_still_moves_is_waited_for_on_opening(void **state)
{
    (void)state;
    struct rig *g = homed((struct rig_opts){0});
    int64_t zero = zero_of(g);
    assert_int_equal(axis_move_to(g->axis, 9000, NULL), 0);
    rig_run_us(g, 200000);
    /* The host dies without a word, and starts again. */
    g->lose_requests = true;
    axis_close(g->axis);
    g->axis = NULL;
    g->link = link_mem_open(g->sched, g->controller, NULL, NULL);
    struct axis_rail_opts opts = {.speed_counts_per_s = 1000};
    assert_int_equal(axis_rail_open(g->sched, g->link, &opts, &g->axis, NULL), 0);
    assert_true(rig_until(g, AXIS_REST, 5000000));
    assert_int_equal(g->place - zero, 9000);
    assert_int_equal(rig_state(g).position_counts, 9000);
    assert_int_equal(rig_state(g).known, AXIS_KNOWN);
    rig_close(g);
}

/* --- halting --- */

static void halt_stops_and_clear_lets_go_on(void **state)
{
    (void)state;
    struct rig *g = homed((struct rig_opts){0});
    int64_t zero = zero_of(g);
    assert_int_equal(axis_move_to(g->axis, 50000, NULL), 0);
    rig_run_us(g, 1000000);
    assert_int_equal(axis_halt(g->axis, NULL), 0);
    assert_true(rig_until(g, AXIS_STOPPED, 600000));
    struct axis_state st = rig_state(g);
    assert_int_equal(st.why.code, 0); /* it was wished */
    assert_int_equal(st.position_counts, g->place - zero);
    assert_int_equal(st.known, AXIS_KNOWN);
    assert_int_equal(axis_move_to(g->axis, 0, NULL), E_STATE);
    assert_int_equal(axis_clear(g->axis, NULL), 0);
    assert_true(rig_until(g, AXIS_REST, 100000));
    move(g, 300);
    rig_close(g);
}

static void a_halt_that_is_lost_is_said_again(void **state)
{
    (void)state;
    struct rig *g = homed((struct rig_opts){0});
    assert_int_equal(axis_move_to(g->axis, 50000, NULL), 0);
    rig_run_us(g, 500000);
    g->lose_requests = true;
    assert_int_equal(axis_halt(g->axis, NULL), 0);
    rig_run_us(g, 30000);
    g->lose_requests = false;
    assert_true(rig_until(g, AXIS_STOPPED, 700000));
    rig_close(g);
}

static void a_halt_right_after_a_move_was_asked_still_halts(void **state)
{
    (void)state;
    for (int64_t after_us = 0; after_us < 8000; after_us += 500) {
        struct rig *g = homed((struct rig_opts){0});
        assert_int_equal(axis_move_to(g->axis, 50000, NULL), 0);
        rig_run_us(g, after_us);
        assert_int_equal(axis_halt(g->axis, NULL), 0);
        assert_true(rig_until(g, AXIS_STOPPED, 600000));
        int32_t edges = g->edges;
        rig_run_us(g, 2000000);
        assert_int_equal(g->edges, edges);
        assert_int_equal(rig_state(g).phase, AXIS_STOPPED);
        rig_close(g);
    }
}

static void closing_in_a_move_stops_the_rail(void **state)
{
    (void)state;
    struct rig *g = homed((struct rig_opts){0});
    assert_int_equal(axis_move_to(g->axis, 90000, NULL), 0);
    rig_run_us(g, 300000);
    axis_close(g->axis);
    g->axis = NULL;
    int32_t edges = g->edges;
    rig_run_us(g, 450000);
    assert_in_range(g->edges - edges, 1000, 4000); /* down a ramp at once, not after a second of silence */
    edges = g->edges;
    rig_run_us(g, 3000000);
    assert_int_equal(g->edges, edges);
    g->link = link_mem_open(g->sched, g->controller, NULL, NULL); /* for rig_close */
    rig_close(g);
}

/* --- faults at the bench --- */

static void an_end_switch_is_an_alarm_with_a_sentence(void **state)
{
    (void)state;
    struct rig *g = homed((struct rig_opts){.length = 20000});
    assert_int_equal(axis_move_to(g->axis, 30000, NULL), 0);
    assert_true(rig_until(g, AXIS_ALARM, 10000000));
    struct axis_state st = rig_state(g);
    assert_int_equal(st.why.code, E_STATE);
    assert_string_equal(st.why.text, "rail: it ran into an end switch; home it, and set limits");
    assert_int_equal(axis_move_to(g->axis, 5, NULL), E_STATE);
    assert_int_equal(axis_clear(g->axis, NULL), 0);
    assert_true(rig_until(g, AXIS_REST, 100000));
    assert_int_equal(rig_state(g).known, AXIS_UNKNOWN); /* stopped dead at speed */
    assert_int_equal(axis_home(g->axis, NULL), 0);
    assert_true(rig_until(g, AXIS_REST, 60000000));
    move(g, 5000);
    rig_close(g);
}

static void an_alarm_that_lasts_cannot_be_cleared(void **state)
{
    (void)state;
    struct rig *g = homed((struct rig_opts){0});
    assert_int_equal(axis_move_to(g->axis, 50000, NULL), 0);
    rig_run_us(g, 400000);
    g->emergency = true;
    assert_true(rig_until(g, AXIS_ALARM, 200000));
    assert_non_null(strstr(rig_state(g).why.text, "emergency button"));
    assert_int_equal(axis_clear(g->axis, NULL), 0);
    rig_run_us(g, 1000000);
    assert_int_equal(rig_state(g).phase, AXIS_ALARM);
    assert_non_null(strstr(rig_state(g).why.text, "emergency button"));
    g->emergency = false;
    native_rail_look(g->controller);
    rig_run_us(g, 1000);
    assert_int_equal(axis_clear(g->axis, NULL), 0);
    assert_true(rig_until(g, AXIS_REST, 100000));
    rig_close(g);
}

static void a_broken_switch_wire_refuses_a_move_with_a_reason(void **state)
{
    (void)state;
    struct rig *g = homed((struct rig_opts){0});
    g->wire_broken = true;
    assert_int_equal(axis_move_to(g->axis, 1000, NULL), 0);
    assert_true(rig_until(g, AXIS_STOPPED, 200000));
    assert_non_null(strstr(rig_state(g).why.text, "end switches"));
    rig_run_us(g, 1000000);
    assert_int_equal(g->edges, 0);
    rig_close(g);
}

/* --- what is asked --- */

static void wrong_questions_are_answered_at_once(void **state)
{
    (void)state;
    struct rig *g = rig_open(&(struct rig_opts){0});
    struct err why;
    assert_int_equal(axis_move_to(g->axis, 5, NULL), E_STATE); /* still starting */
    assert_true(rig_until(g, AXIS_REST, 1000000));
    assert_int_equal(axis_move_to(g->axis, 5, &why), E_STATE);
    assert_string_equal(why.text, "rail: it does not know where it stands; home it first");
    assert_int_equal(axis_here(g->axis, 100, NULL), 0);
    rig_run_us(g, 50000);
    assert_int_equal(axis_move_to(g->axis, INT64_C(1073741825), NULL), E_INPUT);
    assert_int_equal(axis_move_to(g->axis, INT64_MIN, NULL), E_INPUT);
    assert_int_equal(axis_jog(g->axis, INT64_MAX, NULL), E_INPUT);
    assert_int_equal(axis_limits(g->axis, 10, 5, NULL), E_INPUT);
    assert_int_equal(axis_limits(g->axis, 0, 1000, NULL), 0);
    rig_run_us(g, 50000);
    assert_int_equal(axis_move_to(g->axis, 1001, &why), E_INPUT);
    assert_non_null(strstr(why.text, "0 to 1000"));
    assert_int_equal(axis_move_to(g->axis, 1000, NULL), 0);
    assert_int_equal(axis_move_to(g->axis, 900, NULL), E_STATE); /* moving */
    assert_int_equal(axis_home(g->axis, NULL), E_STATE);
    assert_int_equal(axis_shape(g->axis, (struct axis_slot[]){{1000, 65535}}, 1, NULL), E_INPUT);
    assert_true(rig_until(g, AXIS_REST, 5000000));
    assert_int_equal(g->edges, 900);
    rig_close(g);
}

static void the_speed_of_the_bench_is_kept(void **state)
{
    (void)state;
    struct rig *g = homed((struct rig_opts){.axis.speed_counts_per_s = 2000});
    int64_t fastest_ns = INT64_MAX;
    rig_forget_edges(g);
    move(g, 3000);
    for (int32_t i = 1; i < g->edges; i++)
        if (g->edge_ns[i] - g->edge_ns[i - 1] < fastest_ns) fastest_ns = g->edge_ns[i] - g->edge_ns[i - 1];
    assert_in_range(fastest_ns, 499000, 520000);
    rig_close(g);
}

static void a_shaped_move_takes_the_shapes_time(void **state)
{
    (void)state;
    struct rig *g = homed((struct rig_opts){0});
    static const struct axis_slot SLOTS[] = {{41667, 8934}, {41667, 24667}, {41667, 22698}, {41667, 9237}};
    int64_t zero = zero_of(g);
    move(g, 1000);
    assert_int_equal(axis_shape(g->axis, SLOTS, 4, NULL), 0);
    rig_run_us(g, 100000);
    rig_forget_edges(g);
    assert_int_equal(axis_move_shaped(g->axis, 1080, NULL), 0);
    assert_true(rig_until(g, AXIS_REST, 1000000));
    assert_int_equal(g->place - zero, 1080);
    assert_int_equal(g->edges, 80);
    /* 166.7 ms, less half a step's time at either end: 1.9 ms each. */
    double took_ms = (double)(g->edge_ns[79] - g->edge_ns[0]) * 1e-6;
    assert_true(fabs(took_ms - 162.9) < 0.3);
    rig_close(g);
}

/* --- another controller, as text --- */

struct scripted {
    struct link base;
    struct rig *rig;
    char sent[256];
};

static int scripted_send(struct link *base, const void *bytes, size_t count, struct err *why)
{
    (void)why;
    struct scripted *s = (struct scripted *)base;
    size_t n = strlen(s->sent);
    if (n + count < sizeof s->sent) memcpy(s->sent + n, bytes, count);
    char word[16];
    unsigned seq;
    if (sscanf(bytes, "%2x %*2x %15s", &seq, word) != 2) return E_OK;
    const char *reply = rig_line((uint8_t)seq, strcmp(word, "hello") ? "1234 ok 0 5 5 2 0 0 0 0 0 1000 0"
                                                                     : "1234 ok 2 0 200");
    base->receive(base->receive_arg, (const uint8_t *)reply, strlen(reply));
    return E_OK;
}

static void scripted_close(struct link *base)
{
    (void)base;
}

static void a_controller_of_another_major_version_is_only_looked_at(void **state)
{
    (void)state;
    static const struct link_ops OPS = {.name = "a script", .send = scripted_send, .close = scripted_close};
    struct scripted s = {.base.ops = &OPS};
    struct sched *sched = sched_new_virtual(NULL);
    struct axis *ax;
    struct axis_state st;
    assert_int_equal(axis_rail_open(sched, &s.base, &(struct axis_rail_opts){.port = "x"}, &ax, NULL), 0);
    while (sched_step(sched, 2000000))
        ;
    axis_poll(ax, &st, NULL);
    assert_int_equal(st.phase, AXIS_ALARM);
    assert_int_equal(st.why.code, E_UNSUPPORTED);
    assert_int_equal(st.position_counts, 5);
    assert_int_equal(axis_move_to(ax, 10, NULL), E_UNSUPPORTED);
    assert_int_equal(axis_clear(ax, NULL), E_UNSUPPORTED);
    memset(s.sent, 0, sizeof s.sent);
    assert_int_equal(axis_halt(ax, NULL), 0);
    assert_string_equal(s.sent, "****\n");
    axis_close(ax);
    sched_free(sched);
}

static void opening_without_memory_closes_the_link(void **state)
{
    (void)state;
    for (long n = 1; n <= 2; n++) {
        struct sched *sched = sched_new_virtual(NULL);
        struct native_rail *rail = native_rail_new(sched, &(struct native_rail_opts){0}, NULL);
        struct link *link = link_mem_open(sched, rail, NULL, NULL);
        struct axis *ax = NULL;
        struct err why = {0};
        mem_fail_at(n);
        assert_int_equal(axis_rail_open(sched, link, &(struct axis_rail_opts){0}, &ax, &why), E_NOMEM);
        mem_fail_at(0);
        assert_null(ax);
        native_rail_free(rail);
        sched_free(sched);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(rest_is_promised_exactly_and_known_promptly),
        cmocka_unit_test(the_promise_holds_at_any_latency),
        cmocka_unit_test(a_resting_rail_is_asked_twice_a_second_and_a_moving_one_ten_times),
        cmocka_unit_test(no_command_goes_wrong_on_a_bad_cable),
        cmocka_unit_test(a_very_bad_cable_moves_nothing_wrong_either),
        cmocka_unit_test(a_lost_reply_is_not_a_second_move),
        cmocka_unit_test(a_lost_request_is_asked_again),
        cmocka_unit_test(an_answer_that_comes_twice_answers_one_request),
        cmocka_unit_test(a_silent_port_is_named_with_what_to_do),
        cmocka_unit_test(a_line_that_dies_in_a_move_is_named_and_the_rail_stops),
        cmocka_unit_test(a_restart_makes_the_position_unknown_until_homed),
        cmocka_unit_test(a_restart_in_a_move_is_noticed_by_the_next_reply),
        cmocka_unit_test(a_rail_that_still_moves_is_waited_for_on_opening),
        cmocka_unit_test(halt_stops_and_clear_lets_go_on),
        cmocka_unit_test(a_halt_that_is_lost_is_said_again),
        cmocka_unit_test(a_halt_right_after_a_move_was_asked_still_halts),
        cmocka_unit_test(closing_in_a_move_stops_the_rail),
        cmocka_unit_test(an_end_switch_is_an_alarm_with_a_sentence),
        cmocka_unit_test(an_alarm_that_lasts_cannot_be_cleared),
        cmocka_unit_test(a_broken_switch_wire_refuses_a_move_with_a_reason),
        cmocka_unit_test(wrong_questions_are_answered_at_once),
        cmocka_unit_test(the_speed_of_the_bench_is_kept),
        cmocka_unit_test(a_shaped_move_takes_the_shapes_time),
        cmocka_unit_test(a_controller_of_another_major_version_is_only_looked_at),
        cmocka_unit_test(opening_without_memory_closes_the_link),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
