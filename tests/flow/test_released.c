/* How a run leaves the rail's outputs, whatever closed them: hw-docs/wire.md, section 5, `drop` and `hold`.
 */
#include "tests/support/test.h"

#include "firmware/native/native.h"
#include "staddle/wire.h"
#include "tests/support/small.h"

struct scene {
    struct rig *rig;
    unsigned pressed, after;
    int64_t pressed_at_us, closed_at_us;
};

static struct shoot_job job;

static int set_up(void **state)
{
    (void)state;
    small_job("released", &(struct small){.width_px = 32, .height_px = 24, .slices = 2, .depth_mm = 0.1},
              &job);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    shoot_job_clear(&job);
    return 0;
}

static void opened(void *arg, struct rig *r, struct store *st)
{
    (void)st;
    ((struct scene *)arg)->rig = r;
}

static void closing(void *arg, struct rig *r)
{
    ((struct scene *)arg)->closed_at_us = sched_now_us(r->sched);
    ((struct scene *)arg)->after = native_rail_outputs(bench_controller(r));
}

/* Past the host, straight to the controller. */
static void say(struct scene *s, const char *word, const int32_t *args, int count, uint8_t seq)
{
    struct wire_out o;
    wire_begin(&o, seq, WIRE_REQUEST_MOST);
    wire_word(&o, word);
    for (int i = 0; i < count; i++)
        wire_int(&o, args[i]);
    assert_true(wire_end(&o));
    native_rail_receive(bench_controller(s->rig), (const uint8_t *)o.text, o.count);
}

/* The person pauses; when the last frame is kept, a contact closes that nobody asked for. */
static void progress(void *arg, const struct run_progress *p)
{
    static const int32_t long_press[] = {0, 60000};
    struct scene *s = arg;
    if (strcmp(p->doing, "kept") != 0) return;
    if (p->slice == 2) bench_wish(s->rig);
    if (p->slice != 3) return;
    say(s, "hello", NULL, 0, 0x80);
    say(s, "fire", long_press, 2, 0x81);
    s->pressed_at_us = sched_now_us(s->rig->sched);
    s->pressed = native_rail_outputs(bench_controller(s->rig));
}

static void a_pause_lets_the_shutter_and_the_full_current_go(void **state)
{
    (void)state;
    struct scene s = {0};
    struct run_result r;
    struct err why = {0};
    struct shoot_opts o = {.dir = small_path("pressed"),
                           .virtual_clock = true,
                           .workers = 1,
                           .opened = opened,
                           .closing = closing,
                           .progress = progress,
                           .progress_arg = &s,
                           .arg = &s};
    assert_int_equal(shoot_new(&job, &o, &r, &why), E_PAUSED);
    assert_int_equal(s.pressed & WIRE_HALF_PRESSED, WIRE_HALF_PRESSED);
    assert_true(s.closed_at_us - s.pressed_at_us < 1000000); /* by itself it would open after a minute */
    assert_int_equal(s.after, WIRE_MOTOR_ON | WIRE_MOTOR_REDUCED);
    run_result_clear(&r);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_pause_lets_the_shutter_and_the_full_current_go),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
