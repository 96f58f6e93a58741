#include "tests/support/hand_rig.h"

#include "tests/support/test.h"

#define TURN_US 500000

static struct {
    struct rig *rig;
    struct person person;
    struct axis *knob;
    int64_t from, wanted, begun_us;
    bool idle;
    sched_id call;
    char told[512];
    int times;
} at_knob;

static void on_tell(void *arg, const char *sentence)
{
    (void)arg;
    snprintf(at_knob.told, sizeof at_knob.told, "%s", sentence);
    at_knob.times++;
    if (strstr(sentence, "leave the knob") && at_knob.call) {
        sched_cancel(at_knob.rig->sched, at_knob.call);
        at_knob.call = 0;
    }
}

static void put(int64_t place)
{
    struct rig *g = at_knob.rig;
    for (; g->place != place; g->place += g->place < place ? 1 : -1)
        g->edges++, g->pulses++;
}

/* A little at a time, so that a halt finds the turn half done. */
static void on_turning(void *arg)
{
    (void)arg;
    struct rig *g = at_knob.rig;
    const int64_t since = sched_now_us(g->sched) - at_knob.begun_us;
    at_knob.call = 0;
    if (since < TURN_US) {
        put(at_knob.from + (at_knob.wanted - at_knob.from) * since / TURN_US);
        at_knob.call = sched_at(g->sched, sched_now_us(g->sched) + 10000, on_turning, NULL);
        return;
    }
    put(at_knob.wanted);
    axis_hand_done(at_knob.knob);
}

static void on_asked(void *arg, struct axis *knob, int64_t target_counts)
{
    (void)arg;
    if (at_knob.idle) return;
    at_knob.knob = knob;
    at_knob.from = at_knob.rig->place;
    at_knob.wanted = target_counts; /* the scale's zero is the count's */
    at_knob.begun_us = sched_now_us(at_knob.rig->sched);
    at_knob.call = sched_at(at_knob.rig->sched, at_knob.begun_us + 10000, on_turning, NULL);
}

static void on_notice(void *arg)
{
    ((struct rig *)arg)->notices++;
}

static struct rig *open_knob(bool frames)
{
    struct rig *g = calloc(1, sizeof *g);
    assert_non_null(g);
    memset(&at_knob, 0, sizeof at_knob);
    g->sched = sched_new_virtual(NULL);
    g->rest_seen_us = -1;
    at_knob.rig = g;
    at_knob.person = (struct person){.tell = on_tell, .key_fd = -1, .asked = frames ? NULL : on_asked};
    const struct axis_hand_opts o = {.nm_per_count_num = 5000,
                                     .nm_per_count_den = 1,
                                     .marks_per_turn = 100,
                                     .counts_per_mark = 2,
                                     .take_up_counts = 21,
                                     .asks_surely = true,
                                     .frame_answers = frames,
                                     .person = &at_knob.person};
    assert_int_equal(axis_hand_open(g->sched, &o, &g->axis, NULL), 0);
    g->axis->notice = on_notice;
    g->axis->notice_arg = g;
    return g;
}

struct rig *hand_rig_open(void)
{
    return open_knob(false);
}

struct rig *hand_rig_open_frames(void)
{
    return open_knob(true);
}

const char *hand_rig_told(int *times)
{
    if (times) *times = at_knob.times;
    return at_knob.told;
}

void hand_rig_person(bool turns)
{
    at_knob.idle = !turns;
}
