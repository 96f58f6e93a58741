#include "device/rail_line.h"

#include <stdio.h>
#include <string.h>

#include "base/mem.h"

#define REPEATS_MOST   5
#define ROUNDS_MOST    4 /* resynchronisations in a row that end with the same request unanswered */
#define QUIET_US       20000
#define QUIET_MOST_US  500000  /* of noise that never ends */
#define LISTEN_MOST_US 8000000 /* to a board that babbles while it starts */
#define PATIENCE_US    50000   /* beyond the line's own time */
#define STATE_CHARS    17

enum line_mode { LINE_LISTEN, LINE_QUIET, LINE_HELLO, LINE_IDLE, LINE_WAITING, LINE_GONE };

struct rail_line {
    struct sched *sched;
    struct link *link;
    const char *port;
    int64_t byte_ns;
    struct rail_line_user user;
    enum line_mode mode;
    sched_id timer;
    int64_t quiet_since_us; /* when QUIET began */
    /* the request that waits */
    struct rail_request request, lost;
    struct wire_out out;
    int64_t sent_us;
    int repeats, rounds;
    uint8_t seq;
    /* what comes in */
    char in[WIRE_REPLY_MOST];
    uint8_t in_count;
    bool in_too_long;
    int64_t nonce;
    int64_t latency_us; /* one way, the least seen; -1: not yet */
    struct rail_line_counts counts;
};

static void on_timer(void *arg);

static void set_timer(struct rail_line *l, int64_t after_us)
{
    sched_cancel(l->sched, l->timer);
    l->timer = sched_at(l->sched, sched_now_us(l->sched) + after_us, on_timer, l);
}

static int64_t chars_us(const struct rail_line *l, int64_t chars)
{
    return chars * l->byte_ns / 1000;
}

static void give_up(struct rail_line *l, const struct err *why)
{
    sched_cancel(l->sched, l->timer);
    l->mode = LINE_GONE;
    l->user.gone(l->user.arg, why);
}

static bool put_on_line(struct rail_line *l, const char *text, size_t count)
{
    struct err why = {0};
    if (!l->link->ops->send(l->link, text, count, &why)) return true;
    give_up(l, &why);
    return false;
}

static void send_request(struct rail_line *l)
{
    l->sent_us = sched_now_us(l->sched);
    l->counts.sent++;
    set_timer(l, chars_us(l, l->out.count + WIRE_REPLY_MOST + 1) + PATIENCE_US);
    put_on_line(l, l->out.text, l->out.count);
}

static void build_and_send(struct rail_line *l, const struct rail_request *r, enum line_mode mode)
{
    l->request = *r;
    l->seq = wire_seq_after(l->seq);
    wire_begin(&l->out, l->seq, WIRE_REQUEST_MOST);
    wire_word(&l->out, r->word);
    for (int i = 0; i < r->args; i++)
        wire_int(&l->out, r->arg[i]);
    wire_end(&l->out);
    l->repeats = 0;
    l->mode = mode;
    send_request(l);
}

static void be_quiet(struct rail_line *l)
{
    l->mode = LINE_QUIET;
    l->in_count = 0;
    l->quiet_since_us = sched_now_us(l->sched);
    set_timer(l, QUIET_US);
    put_on_line(l, "\n\n", 2);
}

static void resynchronise(struct rail_line *l)
{
    l->counts.resynchronised++;
    be_quiet(l);
}

static void no_answer(struct rail_line *l)
{
    struct err why = {0};
    bool is_hello = l->mode == LINE_HELLO;
    if (!is_hello) {
        bool same = !strcmp(l->lost.word, l->request.word);
        l->lost = l->request;
        l->rounds = same ? l->rounds + 1 : 1;
    }
    if (is_hello || l->rounds > ROUNDS_MOST) {
        bool babble = l->nonce < 0 && l->counts.damaged;
        fail(
            &why, E_TIMEOUT,
            babble
                ? "rail: no reply to %s after %d repeats on %s; what answers there is no rail controller, or "
                  "axis.baud is wrong"
                : "rail: no reply to %s after %d repeats on %s; is the controller powered?",
            l->lost.word[0] ? l->lost.word : l->request.word, REPEATS_MOST, l->port);
        give_up(l, &why);
        return;
    }
    resynchronise(l);
}

static void on_timer(void *arg)
{
    struct rail_line *l = arg;
    l->timer = 0;
    if (l->mode == LINE_LISTEN) {
        be_quiet(l);
    } else if (l->mode == LINE_QUIET) {
        build_and_send(l, &(struct rail_request){.word = "hello"}, LINE_HELLO);
    } else if (l->mode == LINE_HELLO || l->mode == LINE_WAITING) {
        if (l->repeats == REPEATS_MOST) {
            no_answer(l);
            return;
        }
        l->repeats++;
        l->counts.repeated++;
        send_request(l);
    }
}

/* The controller answered when its reply set out: that long ago, by the quickest exchange that was ever seen.
 */
static int64_t answered_at(struct rail_line *l, uint8_t reply_chars)
{
    int64_t now = sched_now_us(l->sched);
    if (!l->repeats) {
        int64_t latency = (now - l->sent_us - chars_us(l, l->out.count + reply_chars)) / 2;
        if (latency < 0) latency = 0;
        if (l->latency_us < 0 || latency < l->latency_us) l->latency_us = latency;
    }
    return now - chars_us(l, reply_chars) - (l->latency_us < 0 ? 0 : l->latency_us);
}

static bool take_nonce(struct rail_line *l, uint16_t nonce)
{
    bool changed = l->nonce >= 0 && l->nonce != nonce;
    l->nonce = nonce;
    return changed;
}

static void take_reply(struct rail_line *l, struct rail_reply *r)
{
    enum line_mode mode = l->mode;
    sched_cancel(l->sched, l->timer);
    l->timer = 0;
    l->mode = LINE_IDLE;
    if (mode == LINE_HELLO) {
        l->user.ready(l->user.arg, r);
        return;
    }
    l->rounds = 0;
    l->lost.word[0] = '\0';
    struct rail_request request = l->request;
    l->user.answered(l->user.arg, &request, r);
}

static void take_line(struct rail_line *l, const char *line, uint8_t count)
{
    struct rail_reply r = {0};
    uint16_t nonce;
    char verdict[4];
    if (l->mode == LINE_QUIET || !count) return;
    if (!wire_open(&r.in, line, count) || !wire_next_hex4(&r.in, &nonce) ||
        !wire_next_word(&r.in, verdict, sizeof verdict)) {
        l->counts.damaged++;
        return;
    }
    if (l->mode == LINE_LISTEN) {
        if (!strcmp(verdict, "up")) be_quiet(l);
        return;
    }
    if (take_nonce(l, nonce)) {
        l->user.rebooted(l->user.arg);
        if (l->mode != LINE_GONE) resynchronise(l);
        return;
    }
    bool waits = l->mode == LINE_HELLO || l->mode == LINE_WAITING;
    if (!waits || r.in.seq != l->seq || !strcmp(verdict, "up")) return; /* an answer given twice */
    r.ok = !strcmp(verdict, "ok");
    if (!r.ok && !wire_next_word(&r.in, r.reason, sizeof r.reason)) return;
    if (!r.ok && !strcmp(r.reason, "seq")) {
        resynchronise(l);
        return;
    }
    r.done_us = answered_at(l, (uint8_t)(count + 1));
    take_reply(l, &r);
}

static void on_bytes(void *arg, const uint8_t *bytes, size_t count)
{
    struct rail_line *l = arg;
    struct err why = {0};
    if (l->mode == LINE_GONE) return;
    if (!count) {
        fail(&why, E_IO, "rail: %s is gone; is the cable in?", l->port);
        give_up(l, &why);
        return;
    }
    if (l->mode == LINE_QUIET && sched_now_us(l->sched) - l->quiet_since_us < QUIET_MOST_US)
        set_timer(l, QUIET_US);
    if (l->mode == LINE_LISTEN && sched_now_us(l->sched) - l->quiet_since_us < LISTEN_MOST_US)
        set_timer(l, l->link->listen_us);
    for (size_t i = 0; i < count && l->mode != LINE_GONE; i++) {
        char c = (char)bytes[i];
        if (c == '\n') {
            char line[WIRE_REPLY_MOST];
            uint8_t n = l->in_count;
            bool whole = !l->in_too_long;
            memcpy(line, l->in, n);
            l->in_count = 0;
            l->in_too_long = false;
            if (whole)
                take_line(l, line, n);
            else
                l->counts.damaged++;
        } else if (c != '\r') {
            if (l->in_count < WIRE_REPLY_MOST)
                l->in[l->in_count++] = c;
            else
                l->in_too_long = true;
        }
    }
}

static int start(struct rail_line *l, struct err *why)
{
    struct link *link = l->link;
    link->receive = on_bytes;
    link->receive_arg = l;
    l->mode = link->listen_us ? LINE_LISTEN : LINE_QUIET;
    l->quiet_since_us = sched_now_us(l->sched);
    set_timer(l, link->listen_us ? link->listen_us : QUIET_US);
    return link->listen_us ? E_OK : link->ops->send(link, "\n\n", 2, why);
}

void rail_line_unplug(struct rail_line *l)
{
    if (l->link) l->link->ops->close(l->link);
    l->link = NULL;
}

void rail_line_again(struct rail_line *l, struct link *link)
{
    struct err why = {0};
    l->link = link;
    l->in_count = 0;
    l->in_too_long = false;
    l->repeats = l->rounds = 0;
    l->lost.word[0] = '\0';
    if (start(l, &why)) give_up(l, &why);
}

struct rail_line *rail_line_open(struct sched *sched, struct link *link, const char *port, int32_t baud,
                                 const struct rail_line_user *user, struct err *why)
{
    struct rail_line *l = mem_new(1, sizeof *l, why);
    if (!l) {
        link->ops->close(link);
        return NULL;
    }
    l->sched = sched;
    l->link = link;
    l->port = port;
    l->byte_ns = INT64_C(10) * 1000000000 / (baud ? baud : 250000);
    l->user = *user;
    l->nonce = -1;
    l->latency_us = -1;
    if (start(l, why)) {
        rail_line_close(l);
        return NULL;
    }
    return l;
}

void rail_line_close(struct rail_line *l)
{
    if (!l) return;
    sched_cancel(l->sched, l->timer);
    rail_line_unplug(l);
    mem_free(l);
}

bool rail_line_idle(const struct rail_line *l)
{
    return l->mode == LINE_IDLE;
}

void rail_line_ask(struct rail_line *l, const struct rail_request *r)
{
    build_and_send(l, r, LINE_WAITING);
}

void rail_line_halt(struct rail_line *l)
{
    if (l->mode != LINE_GONE) put_on_line(l, "****\n", 5);
}

int64_t rail_line_nonce(const struct rail_line *l)
{
    return l->nonce;
}

int64_t rail_line_lead_us(const struct rail_line *l)
{
    return chars_us(l, STATE_CHARS) + (l->latency_us < 0 ? 0 : l->latency_us);
}

const struct rail_line_counts *rail_line_get_counts(const struct rail_line *l)
{
    return &l->counts;
}
