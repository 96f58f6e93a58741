/* A run that ends anywhere - killed, paused, halted - goes on to a whole stack. The full list of places is in
 * tests/long/test_resume_everywhere.c. */
#include "tests/support/test.h"

#include "base/mem.h"
#include "store/store.h"
#include "tests/support/sweep.h"

static struct shoot_job job;

static int set_up(void **state)
{
    (void)state;
    small_job("resume", &(struct small){.width_px = 64, .height_px = 48, .slices = 2}, &job);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    shoot_job_clear(&job);
    return 0;
}

static struct sweep shoot(const char *name, enum sweep_how how, int64_t at)
{
    struct sweep s = {.job = &job, .dir = small_path(name), .how = how, .at = at};
    sweep_shoot(&s);
    return s;
}

static int64_t events_of_a_run(void)
{
    static int64_t events;
    if (events) return events;
    struct sweep s = shoot("whole", SWEEP_NOT, 0);
    assert_int_equal(s.rc, 0);
    events = s.result.events;
    assert_true(events > 20);
    run_result_clear(&s.result);
    return events;
}

static void killed_in_the_middle_it_goes_on(void **state)
{
    (void)state;
    static const int percent[] = {3, 30, 55, 80};
    for (size_t i = 0; i < sizeof percent / sizeof *percent; i++) {
        char name[32];
        snprintf(name, sizeof name, "kill%d", percent[i]);
        struct sweep s = shoot(name, SWEEP_KILL, events_of_a_run() * percent[i] / 100);
        assert_int_equal(s.rc, E_PAUSED);
        assert_int_equal(s.result.end, RUN_KILLED);
        sweep_finish(&s);
        run_result_clear(&s.result);
    }
}

/* A pause leaves nothing in flight, so nothing is shot twice. */
static void paused_it_finishes_the_slice_and_goes_on(void **state)
{
    (void)state;
    static const int percent[] = {35, 70};
    for (size_t i = 0; i < sizeof percent / sizeof *percent; i++) {
        char name[32];
        struct small_counts n;
        snprintf(name, sizeof name, "pause%d", percent[i]);
        struct sweep s = shoot(name, SWEEP_PAUSE, events_of_a_run() * percent[i] / 100);
        assert_int_equal(s.rc, E_PAUSED);
        assert_int_equal(s.result.end, RUN_PAUSED);
        small_count(s.dir, &n);
        assert_int_equal(n.firing + n.seen + n.lost + n.failed + n.doubtful, 0);
        assert_int_equal(n.kept, s.shots);
        sweep_finish(&s);
        run_result_clear(&s.result);
    }
}

static void halted_it_stops_at_once_and_goes_on(void **state)
{
    (void)state;
    static const int percent[] = {8, 50};
    for (size_t i = 0; i < sizeof percent / sizeof *percent; i++) {
        char name[32];
        struct small_counts n;
        snprintf(name, sizeof name, "halt%d", percent[i]);
        struct sweep s = shoot(name, SWEEP_HALT, events_of_a_run() * percent[i] / 100);
        assert_int_equal(s.rc, E_PAUSED);
        assert_int_equal(s.result.end, RUN_HALTED);
        small_count(s.dir, &n);
        assert_int_equal(n.firing + n.seen + n.doubtful, 0);
        sweep_finish(&s);
        run_result_clear(&s.result);
    }
}

/* Halted in the middle of a long move: it stops within the way that slowing down takes (v^2 / 2a = v t / 2
 * for a ramp of time t, uniform acceleration), and half a look more. */
struct mid_move {
    struct rig *rig;
    int64_t halted_at;  /* counts; 0: not yet */
    double carriage_nm; /* in the end */
};

static void mid_opened(void *arg, struct rig *r, struct store *st)
{
    (void)st;
    ((struct mid_move *)arg)->rig = r;
}

static bool halt_in_move(void *arg, int64_t events)
{
    struct mid_move *m = arg;
    struct axis_state st;
    (void)events;
    assert_int_equal(axis_poll(m->rig->axis, &st, NULL), 0);
    if (m->halted_at || st.phase != AXIS_MOVING || st.known != AXIS_KNOWN || st.position_counts < 600)
        return false;
    m->halted_at = st.position_counts;
    bench_wish(m->rig);
    bench_wish(m->rig);
    return false;
}

static void mid_ended(void *arg, struct rig *r)
{
    ((struct mid_move *)arg)->carriage_nm = world_carriage_nm(r->world);
}

static void halted_in_a_move_the_rail_slows_down_at_once(void **state)
{
    (void)state;
    struct mid_move m = {0};
    struct run_result r;
    struct err why = {0};
    struct shoot_opts o = {.dir = small_path("mid"),
                           .virtual_clock = true,
                           .workers = 1,
                           .opened = mid_opened,
                           .killed = halt_in_move,
                           .killed_arg = &m,
                           .closing = mid_ended,
                           .arg = &m};
    assert_int_equal(shoot_new(&job, &o, &r, &why), E_PAUSED);
    assert_int_equal(r.end, RUN_HALTED);
    assert_true(m.halted_at > 0);
    double nm_per_count = 625, speed = 2e6, ramp_s = 0.1, look_s = 0.1;
    double beyond_nm = m.carriage_nm - (double)m.halted_at * nm_per_count;
    print_message("measured: halted in a move, the rail went on for %.0f um\n", beyond_nm / 1000);
    assert_true(beyond_nm > -25000 && beyond_nm < speed * (ramp_s / 2 + look_s));
    struct sweep s = {.job = &job, .dir = o.dir};
    const int32_t kept = r.kept;
    run_result_clear(&r);
    s.shots = kept;
    sweep_finish(&s);
}

static long dump_size(const char *dir, char **text)
{
    struct store *st;
    size_t size;
    assert_int_equal(store_open(dir, true, &st, NULL), 0);
    FILE *f = open_memstream(text, &size);
    assert_int_equal(store_dump(st, f, NULL), 0);
    fclose(f);
    store_close(st);
    return (long)size;
}

static void a_whole_stack_is_left_alone(void **state)
{
    (void)state;
    char *before, *after;
    struct run_result r;
    bool already = false;
    events_of_a_run();
    struct shoot_opts o = {.dir = small_path("whole")};
    dump_size(o.dir, &before);
    assert_int_equal(shoot_resume(&o, &r, &already, NULL), 0);
    assert_true(already);
    assert_int_equal(r.kept, job.plan.slice_count);
    dump_size(o.dir, &after);
    assert_string_equal(before, after);
    free(before);
    free(after);
}

static void what_is_no_stack_is_refused(void **state)
{
    (void)state;
    struct run_result r;
    struct err why = {0};
    bool already;
    struct shoot_opts o = {.dir = small_path("nowhere")};
    assert_int_equal(shoot_resume(&o, &r, &already, &why), E_INPUT);
    assert_true(why.text[0] != 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(killed_in_the_middle_it_goes_on),
        cmocka_unit_test(paused_it_finishes_the_slice_and_goes_on),
        cmocka_unit_test(halted_it_stops_at_once_and_goes_on),
        cmocka_unit_test(halted_in_a_move_the_rail_slows_down_at_once),
        cmocka_unit_test(a_whole_stack_is_left_alone),
        cmocka_unit_test(what_is_no_stack_is_refused),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
