#include "device/axis_hand.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

#include "base/mem.h"
#include "base/units.h"
#include "staddle/wire.h"

#define TEXT_ROOM 80
#define NOBODY    "nobody can press Enter here when the knob is turned; run it on a terminal"

struct hand {
    struct axis base;
    struct sched *sched;
    struct axis_hand_opts opts;
    struct axis_state st;
    bool asking;    /* a person is at it */
    bool by_chance; /* by a distance, from a place that nobody knows */
    bool keys;      /* the descriptor is watched */
    sched_id soon;
    int64_t lo_counts, hi_counts; /* both 0: none */
};

static struct hand *hand_of(struct axis *ax)
{
    return (struct hand *)ax;
}

/* ---- what is said */

static double nm(const struct hand *h, int64_t counts)
{
    return (double)counts * (double)h->opts.nm_per_count_num / (double)h->opts.nm_per_count_den;
}

/* As many decimals of a millimetre as the scale has places, 2 to 4. */
static int decimals(const struct hand *h)
{
    const int64_t num = h->opts.nm_per_count_num, den = h->opts.nm_per_count_den;
    for (int d = 2, unit = 10000; d < 4; d++, unit /= 10)
        if (den == 1 && num % unit == 0) return d;
    return 4;
}

/* "5 marks", "1 turn and 12.5 marks" */
static void knob_text(const struct hand *h, int64_t counts, char out[TEXT_ROOM])
{
    const int64_t turn = (int64_t)h->opts.marks_per_turn * h->opts.counts_per_mark;
    const int64_t turns = counts / turn;
    const double marks = (double)(counts % turn) / h->opts.counts_per_mark;
    char whole[40] = "", part[40] = "";
    if (turns) snprintf(whole, sizeof whole, "%" PRId64 " turn%s", turns, turns == 1 ? "" : "s");
    if (marks > 0) snprintf(part, sizeof part, "%.4g mark%s", marks, marks <= 1 ? "" : "s");
    snprintf(out, TEXT_ROOM, "%s%s%s", whole, *whole && *part ? " and " : "", part);
}

static void way_text(const struct hand *h, int64_t target, char *out, size_t room)
{
    const int64_t way = target - h->st.position_counts, size = way < 0 ? -way : way;
    const int64_t before = target - h->opts.take_up_counts;
    char knob[TEXT_ROOM];
    out[0] = '\0';
    knob_text(h, size, knob);
    if (h->st.known == AXIS_UNKNOWN)
        snprintf(out, room, ", coming from the near side, from %.*f mm or less", decimals(h),
                 nm(h, before) / NM_PER_MM);
    else if (way > 0)
        snprintf(out, room, ": %.*f mm deeper, %s", decimals(h), nm(h, size) / NM_PER_MM, knob);
    else if (h->opts.take_up_counts)
        snprintf(out, room, ": %.*f mm back, %s; go back to %.*f mm first and come from there", decimals(h),
                 nm(h, size) / NM_PER_MM, knob, decimals(h), nm(h, before) / NM_PER_MM);
    else
        snprintf(out, room, ": %.*f mm back, %s", decimals(h), nm(h, size) / NM_PER_MM, knob);
}

static void say(const struct hand *h, const char *sentence)
{
    const struct person *p = h->opts.person;
    if (p && p->tell) p->tell(p->arg, sentence);
}

static void say_turn(const struct hand *h, int64_t target)
{
    char way[200], sentence[320];
    way_text(h, target, way, sizeof way);
    snprintf(sentence, sizeof sentence, "turn to %.*f mm%s%s", decimals(h), nm(h, target) / NM_PER_MM, way,
             h->opts.frame_answers ? "" : "; then press Enter");
    say(h, sentence);
}

static void say_by(const struct hand *h, int64_t distance)
{
    char knob[TEXT_ROOM], sentence[200];
    const int64_t size = distance < 0 ? -distance : distance;
    knob_text(h, size, knob);
    snprintf(sentence, sizeof sentence, "turn %.*f mm %s, %s; then press Enter", decimals(h),
             nm(h, size) / NM_PER_MM, distance < 0 ? "back" : "deeper", knob);
    say(h, sentence);
}

/* ---- the state */

static void notice(struct hand *h)
{
    if (h->base.notice) h->base.notice(h->base.notice_arg);
}

/* A mark is read to half its width (guess), and never better than what the person was asked for. */
static int64_t uncertainty(const struct hand *h)
{
    return (h->opts.counts_per_mark + 1) / 2;
}

static void rest(struct hand *h, int64_t position)
{
    const struct person *p = h->opts.person;
    const bool nowhere = h->by_chance;
    h->asking = h->by_chance = false;
    h->st.phase = AXIS_REST;
    h->st.rest_at_us = sched_now_us(h->sched);
    if (nowhere) {
        notice(h);
        return;
    }
    h->st.known = AXIS_COUNTED;
    h->st.position_counts = position;
    h->st.uncertainty_counts = uncertainty(h);
    if (p && p->turned) p->turned(p->arg, position);
    notice(h);
}

static void lose_place(struct hand *h)
{
    h->st.known = AXIS_UNKNOWN;
    h->st.uncertainty_counts = WIRE_FURTHEST;
}

static void stop(struct hand *h)
{
    if (h->asking || h->opts.frame_answers) lose_place(h);
    if (h->asking) say(h, "leave the knob: the turn is not waited for any more");
    h->asking = h->by_chance = false;
    if (h->soon) sched_cancel(h->sched, h->soon);
    h->soon = 0;
    h->st.phase = AXIS_STOPPED;
    h->st.rest_at_us = sched_now_us(h->sched);
    notice(h);
}

void axis_hand_done(struct axis *ax)
{
    struct hand *h = hand_of(ax);
    if (h->asking) rest(h, h->st.target_counts);
}

static void on_soon(void *arg)
{
    struct hand *h = arg;
    h->soon = 0;
    if (h->st.phase == AXIS_MOVING) {
        rest(h, h->st.target_counts);
        return;
    }
    h->st.phase = AXIS_REST;
    notice(h);
}

static int ask_later(struct hand *h, struct err *why)
{
    h->soon = sched_at(h->sched, sched_now_us(h->sched), on_soon, h);
    return h->soon ? E_OK : fail(why, E_NOMEM, "hand: no memory for a call");
}

/* ---- keys */

static void forget_keys(struct hand *h)
{
    if (h->keys) sched_unwatch(h->sched, h->opts.person->key_fd);
    h->keys = false;
}

static void nobody_there(struct hand *h)
{
    forget_keys(h);
    if (!h->asking) return;
    stop(h);
    fail(&h->st.why, E_STATE,
         "the input that Enter would come from has ended, so nobody can say that the knob is turned; run it "
         "on a terminal");
    notice(h);
}

static void on_key(void *arg)
{
    struct hand *h = arg;
    char typed[256];
    const ssize_t n = read(h->opts.person->key_fd, typed, sizeof typed);
    if (n <= 0)
        nobody_there(h);
    else if (memchr(typed, '\n', (size_t)n))
        axis_hand_done(&h->base);
}

/* Only what somebody can type into: of a file the end would come before the first question. */
static bool can_press(int fd)
{
    struct stat st;
    if (fd < 0) return false;
    return isatty(fd) || (!fstat(fd, &st) && (S_ISFIFO(st.st_mode) || S_ISSOCK(st.st_mode)));
}

static int listen_to_keys(struct hand *h, struct err *why)
{
    const struct person *p = h->opts.person;
    if (h->opts.frame_answers || (p && p->asked)) return E_OK;
    if (!p || sched_is_virtual(h->sched) || !can_press(p->key_fd))
        return h->opts.asks_surely ? fail(why, E_STATE, NOBODY) : E_OK;
    int rc = sched_watch(h->sched, p->key_fd, on_key, h, why);
    h->keys = !rc;
    return rc;
}

/* ---- what the caller asks */

static int only_at_rest(const struct hand *h, struct err *why)
{
    if (h->st.phase == AXIS_REST) return E_OK;
    if (h->st.why.code) {
        if (why) *why = h->st.why;
        return h->st.why.code;
    }
    return fail(why, E_STATE, "hand: it cannot be turned while it is %s; wait, or clear it first",
                axis_phase_text(h->st.phase));
}

static int check_place(const struct hand *h, int64_t counts, struct err *why)
{
    if (counts < -WIRE_FURTHEST || counts > WIRE_FURTHEST)
        return fail(why, E_INPUT, "hand: a place of %" PRId64 " counts is too far", counts);
    if ((h->lo_counts || h->hi_counts) && (counts < h->lo_counts || counts > h->hi_counts))
        return fail(why, E_INPUT, "hand: %.*f mm lies outside its limits, %.*f to %.*f mm", decimals(h),
                    nm(h, counts) / NM_PER_MM, decimals(h), nm(h, h->lo_counts) / NM_PER_MM, decimals(h),
                    nm(h, h->hi_counts) / NM_PER_MM);
    return E_OK;
}

static void start(struct hand *h, int64_t target)
{
    h->st.phase = AXIS_MOVING;
    h->st.target_counts = target;
    h->st.rest_at_us = SCHED_NEVER;
}

static void ask_person(struct hand *h, int64_t target)
{
    const struct person *p = h->opts.person;
    h->asking = true;
    if (p->key_fd >= 0 && h->keys && isatty(p->key_fd)) tcflush(p->key_fd, TCIFLUSH); /* typed before */
    if (p->asked) p->asked(p->arg, &h->base, target);
}

static int need_answer(const struct hand *h, struct err *why)
{
    const struct person *p = h->opts.person;
    if (h->keys || (p && p->asked)) return E_OK;
    return fail(why, E_STATE, NOBODY);
}

static int hand_move_to(struct axis *ax, int64_t target, struct err *why)
{
    struct hand *h = hand_of(ax);
    int rc = only_at_rest(h, why);
    if (!rc) rc = check_place(h, target, why);
    if (rc) return rc;
    const bool there = h->st.known != AXIS_UNKNOWN && h->st.position_counts == target;
    const bool ask = !there && !h->opts.frame_answers;
    if (ask && (rc = need_answer(h, why))) return rc;
    if (!there) say_turn(h, target);
    start(h, target);
    if (!ask) return ask_later(h, why);
    ask_person(h, target);
    return E_OK;
}

static int hand_jog(struct axis *ax, int64_t distance, struct err *why)
{
    struct hand *h = hand_of(ax);
    int rc = only_at_rest(h, why);
    const bool known = h->st.known != AXIS_UNKNOWN;
    if (!rc && known) return hand_move_to(ax, h->st.position_counts + distance, why);
    if (!rc) rc = check_place(h, distance, why);
    if (!rc) rc = need_answer(h, why);
    if (rc) return rc;
    say_by(h, distance);
    h->by_chance = true;
    start(h, distance);
    ask_person(h, distance);
    return E_OK;
}

static int hand_poll(struct axis *ax, struct axis_state *out, struct err *why)
{
    (void)why;
    *out = hand_of(ax)->st;
    return E_OK;
}

static int hand_halt(struct axis *ax, struct err *why)
{
    (void)why;
    stop(hand_of(ax));
    return E_OK;
}

static int hand_clear(struct axis *ax, struct err *why)
{
    struct hand *h = hand_of(ax);
    if (h->st.phase == AXIS_REST) return E_OK;
    if (h->st.phase != AXIS_STOPPED) return only_at_rest(h, why);
    h->st.why = (struct err){0};
    return h->soon ? E_OK : ask_later(h, why);
}

static int hand_limits(struct axis *ax, int64_t lo_counts, int64_t hi_counts, struct err *why)
{
    struct hand *h = hand_of(ax);
    int rc = only_at_rest(h, why);
    if (rc) return rc;
    h->lo_counts = lo_counts;
    h->hi_counts = hi_counts;
    return E_OK;
}

static int hand_here(struct axis *ax, int64_t position, struct err *why)
{
    struct hand *h = hand_of(ax);
    int rc = only_at_rest(h, why);
    if (!rc && (position < -WIRE_FURTHEST || position > WIRE_FURTHEST))
        rc = fail(why, E_INPUT, "hand: a place of %" PRId64 " counts is too far", position);
    if (!rc) rest(h, position);
    return rc;
}

static int hand_drop(struct axis *ax, struct err *why)
{
    (void)ax, (void)why;
    return E_OK; /* it has none */
}

static void hand_close(struct axis *ax)
{
    struct hand *h = hand_of(ax);
    if (!h) return;
    forget_keys(h);
    if (h->soon) sched_cancel(h->sched, h->soon);
    mem_free(h);
}

static const struct axis_ops HAND_OPS = {
    .name = "a knob turned by hand",
    .caps = AXIS_LIMITS | AXIS_WAITS_FOR_PERSON,
    .move_to = hand_move_to,
    .poll = hand_poll,
    .halt = hand_halt,
    .clear = hand_clear,
    .limits = hand_limits,
    .close = hand_close,
    .jog = hand_jog,
    .here = hand_here,
    .drop = hand_drop,
};

int axis_hand_open(struct sched *sched, const struct axis_hand_opts *opts, struct axis **out, struct err *why)
{
    struct hand *h = mem_new(1, sizeof *h, why);
    if (!h) return E_NOMEM;
    h->base.ops = &HAND_OPS;
    h->sched = sched;
    h->opts = *opts;
    h->st.phase = AXIS_STARTING;
    h->st.nonce = -1;
    lose_place(h);
    int rc = listen_to_keys(h, why);
    if (!rc) rc = ask_later(h, why);
    if (rc) {
        hand_close(&h->base);
        return rc;
    }
    *out = &h->base;
    return E_OK;
}
