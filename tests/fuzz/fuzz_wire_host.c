/* The host's end of the wire: bytes from a controller that may say anything, into an axis on a rail.
 *
 * The first byte is no part of the line: an even digit (or bit 0 clear) gives each line that follows as it
 * is; an odd one makes each line the body of a reply, which gets the SEQ that the host waits for, LEN, the
 * boot's nonce and CRC, but for
 *     @seq N      the SEQ of the next reply is off by N
 *     @boot N     the nonce of all that follow
 *     @wait MS    so much time
 *     @raw TEXT   TEXT and LF as they are
 *     @gone       the other end is gone
 *     @go N, @shaped N, @jog N, @here N, @home, @halt, @clear, @shape US, @limits LO HI, @hold N, @drop,
 *                 @read KEY, @set VALUE
 *                 what the program asks of the axis
 * Both kinds take the lines with @. Bit 1: limits and speeds are set at the start. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "device/axis_rail.h"
#include "tests/fuzz/fuzz.h"

#define LINE_US      2000
#define WAIT_MOST_MS 3000
#define TIME_MOST_US 60000000

struct end {
    struct link base;
    struct sched *sched;
    struct axis *axis;
    bool closed;
    uint8_t seq; /* of the request that was sent last */
    int seq_off; /* for the next reply */
    uint16_t nonce;
    bool may_move; /* the axis has taken a call that moves it */
    int sent;
};

/* What the host says is LF LF, a halt, or a right request; and it moves nothing unasked. */
static int on_send(struct link *link, const void *bytes, size_t count, struct err *why)
{
    struct end *e = (struct end *)link;
    const char *text = bytes;
    (void)why;
    e->sent++;
    if (count == 2 && !memcmp(text, "\n\n", 2)) return E_OK;
    if (count == 5 && !memcmp(text, "****\n", 5)) return E_OK;
    FUZZ_HOLDS(count > 7 && count <= 63 && text[count - 1] == '\n');
    FUZZ_HOLDS(fuzz_line_is_right(text, count - 1));
    const char *word = text + 6;
    const bool moves = !strncmp(word, "go ", 3) || !strncmp(word, "jog ", 4) || !strncmp(word, "find ", 5);
    FUZZ_HOLDS(!moves || e->may_move);
    char seq[3] = {text[0], text[1], 0};
    e->seq = (uint8_t)strtoul(seq, NULL, 16);
    return E_OK;
}

static void on_close(struct link *link)
{
    ((struct end *)link)->closed = true;
}

static const struct link_ops ops = {.name = "a stranger", .send = on_send, .close = on_close};

static void run(struct end *e, int64_t us)
{
    const int64_t until = sched_now_us(e->sched) + us;
    while (sched_step(e->sched, until)) {
    }
}

static void arrive(struct end *e, const char *bytes, size_t count)
{
    if (count && e->base.receive) e->base.receive(e->base.receive_arg, (const uint8_t *)bytes, count);
    run(e, LINE_US);
}

static void reply(struct end *e, const char *body, size_t count)
{
    char all[256], line[256];
    if (count > 200) return;
    const int head = snprintf(all, sizeof all, "%04x ", e->nonce);
    memcpy(all + head, body, count);
    const size_t n = fuzz_line((uint8_t)(e->seq + e->seq_off), all, (size_t)head + count, line, sizeof line);
    e->seq_off = 0;
    arrive(e, line, n);
}

static bool takes(const char **line, size_t *count, const char *word)
{
    const size_t n = strlen(word);
    if (*count < n || memcmp(*line, word, n) != 0) return false;
    *line += n;
    *count -= n;
    return true;
}

static int shape(struct end *e, int64_t us, struct err *why)
{
    const struct axis_slot slots[2] = {{us, 32768}, {us, 32768}};
    return axis_shape(e->axis, slots, 2, why);
}

/* True when the line asked something of the axis. */
static bool ask(struct end *e, const char *line, size_t count)
{
    struct err why = {0};
    const bool moved_before = e->may_move;
    int rc;
    e->may_move = true; /* while the call runs */
    if (takes(&line, &count, "@go"))
        rc = axis_move_to(e->axis, fuzz_number(&line, &count), &why);
    else if (takes(&line, &count, "@shaped"))
        rc = axis_move_shaped(e->axis, fuzz_number(&line, &count), &why);
    else if (takes(&line, &count, "@jog"))
        rc = axis_jog(e->axis, fuzz_number(&line, &count), &why);
    else if (takes(&line, &count, "@home"))
        rc = axis_home(e->axis, &why);
    else {
        e->may_move = moved_before;
        if (takes(&line, &count, "@here"))
            rc = axis_here(e->axis, fuzz_number(&line, &count), &why);
        else if (takes(&line, &count, "@halt"))
            rc = axis_halt(e->axis, &why);
        else if (takes(&line, &count, "@clear"))
            rc = axis_clear(e->axis, &why);
        else if (takes(&line, &count, "@shape"))
            rc = shape(e, fuzz_number(&line, &count), &why);
        else if (takes(&line, &count, "@limits")) {
            const int64_t low = fuzz_number(&line, &count);
            rc = axis_limits(e->axis, low, fuzz_number(&line, &count), &why);
        } else if (takes(&line, &count, "@hold"))
            rc = axis_hold(e->axis, (enum axis_hold)(fuzz_number(&line, &count) & 3), &why);
        else if (takes(&line, &count, "@drop"))
            rc = axis_drop(e->axis, &why);
        else if (takes(&line, &count, "@read"))
            rc = axis_key(e->axis, AXIS_KEY_READ, (int)(fuzz_number(&line, &count) & 31), 0, &why);
        else if (takes(&line, &count, "@set"))
            rc = axis_key(e->axis, AXIS_KEY_SET, 3, (int32_t)(fuzz_number(&line, &count) & 0xffff), &why);
        else
            return false;
        FUZZ_HOLDS(!rc || why.text[0]);
        return true;
    }
    FUZZ_HOLDS(!rc || why.text[0]);
    e->may_move = !rc || moved_before;
    return true;
}

static void happen(struct end *e, const char *line, size_t count)
{
    if (ask(e, line, count)) return;
    if (takes(&line, &count, "@seq")) {
        e->seq_off = (int)(fuzz_number(&line, &count) & 0xff);
    } else if (takes(&line, &count, "@boot")) {
        e->nonce = (uint16_t)fuzz_number(&line, &count);
    } else if (takes(&line, &count, "@wait")) {
        const int64_t ms = fuzz_number(&line, &count);
        run(e, 1000 * (ms < 0 ? 0 : ms > WAIT_MOST_MS ? WAIT_MOST_MS : ms));
    } else if (takes(&line, &count, "@raw ")) {
        arrive(e, line, count);
        arrive(e, "\n", 1);
    } else if (takes(&line, &count, "@gone")) {
        if (e->base.receive) e->base.receive(e->base.receive_arg, NULL, 0);
        run(e, LINE_US);
    }
}

static void picture_is_sound(struct end *e)
{
    struct axis_state st;
    struct err why = {0};
    FUZZ_HOLDS(!axis_poll(e->axis, &st, &why));
    FUZZ_HOLDS((unsigned)st.phase <= AXIS_GONE && (unsigned)st.known <= AXIS_KNOWN);
    FUZZ_HOLDS(st.uncertainty_counts >= 0);
    FUZZ_HOLDS(memchr(st.why.text, 0, sizeof st.why.text));
    FUZZ_HOLDS(st.phase != AXIS_GONE || st.why.text[0]);
}

static void talk(struct end *e, bool framed, struct fuzz_text text)
{
    const char *line;
    size_t count;
    while (sched_now_us(e->sched) < TIME_MOST_US && fuzz_next_line(&text, &line, &count)) {
        if (count && line[0] == '@') {
            happen(e, line, count);
        } else if (framed) {
            reply(e, line, count);
        } else {
            arrive(e, line, count);
            arrive(e, "\n", 1);
        }
        picture_is_sound(e);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct end e = {.base.ops = &ops, .nonce = 0xa01b};
    struct err why = {0};
    if (!size) return 0;
    struct axis_rail_opts opts = {.port = "the port"};
    if (data[0] & 2)
        opts = (struct axis_rail_opts){"the port", 3200, 16000, -100000, 100000, 115200, 800, NULL, NULL, 0};
    e.sched = sched_new_virtual(&why);
    FUZZ_HOLDS(e.sched != NULL);
    FUZZ_HOLDS(!axis_rail_open(e.sched, &e.base, &opts, &e.axis, &why));
    run(&e, 30000);
    talk(&e, data[0] & 1, (struct fuzz_text){(const char *)data + 1, size - 1});
    axis_close(e.axis);
    FUZZ_HOLDS(e.closed);
    sched_free(e.sched);
    return 0;
}
