/* The controller's end of the wire: bytes into firmware/core through the virtual controller.
 *
 * The first byte is no part of the line: an even digit (or bit 0 clear) gives what follows as it is; an odd
 * one makes each line the body of a request, which gets the next SEQ, LEN and CRC, but for
 *     @near @far @emergency   that switch changes
 *     @reset                  power gone and back
 *     @wait MS                so much time
 *     @again                  the last line once more
 *     @seq N                  the SEQ of the next line
 *     @raw TEXT               TEXT and LF as they are
 * Bit 1: a controller that was never set up. */
#include <string.h>

#include "base/sched.h"
#include "firmware/native/native.h"
#include "tests/fuzz/fuzz.h"

#define LINE_US      1000
#define WAIT_MOST_MS 400
#define TIME_MOST_US 2000000 /* of one input, in the controller's time */

struct end {
    struct sched *sched;
    struct native_rail *rail;
    bool near_open, far_open, emergency;
    uint8_t seq;
    char last[128];
    size_t last_count;
    bool may_move;     /* a right line was sent that may start motion */
    bool may_set;      /* parameters may be others than those at the start */
    char request[128]; /* what the controller has of a line */
    size_t request_count;
    char reply[128];
    size_t reply_count;
    int64_t edges;
};

static void on_switches(void *arg, bool *near_pressed, bool *far_pressed)
{
    const struct end *e = arg;
    *near_pressed = e->near_open;
    *far_pressed = e->far_open;
}

static bool on_emergency(void *arg)
{
    return ((const struct end *)arg)->emergency;
}

static void on_edge(void *arg, int64_t at_ns, int dir)
{
    struct end *e = arg;
    FUZZ_HOLDS(at_ns >= 0 && (dir == 1 || dir == -1));
    FUZZ_HOLDS(e->may_move);
    e->edges++;
}

/* What the controller says is a right line, or one for people. */
static void on_reply(void *arg, const uint8_t *bytes, size_t count)
{
    struct end *e = arg;
    for (size_t i = 0; i < count; i++) {
        if (bytes[i] == '\n') {
            FUZZ_HOLDS(e->reply[0] == '=' || fuzz_line_is_right(e->reply, e->reply_count));
            e->reply_count = 0;
            continue;
        }
        FUZZ_HOLDS(e->reply_count < 94);
        FUZZ_HOLDS(bytes[i] >= ' ' && bytes[i] < 0x7f);
        e->reply[e->reply_count++] = (char)bytes[i];
    }
}

static void note_request(struct end *e)
{
    static const char *const movers[] = {"go ", "jog ", "find "};
    const char *word = e->request + 6;
    if (!fuzz_line_is_right(e->request, e->request_count)) return;
    for (size_t i = 0; i < sizeof movers / sizeof *movers; i++)
        e->may_move |= !strncmp(word, movers[i], strlen(movers[i]));
    e->may_set |= !strncmp(word, "set ", 4) || !strncmp(word, "save", 4);
}

/* Keeps in view, by the specification alone, which right lines went by. */
static void note_bytes(struct end *e, const char *bytes, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        if (bytes[i] == '\r') continue;
        if (bytes[i] == '\n') {
            note_request(e);
            memset(e->request, 0, sizeof e->request);
            e->request_count = 0;
        } else if (e->request_count < sizeof e->request - 1) {
            e->request[e->request_count++] = bytes[i];
        }
    }
}

static void run(struct end *e, int64_t us)
{
    const int64_t until = sched_now_us(e->sched) + us;
    while (sched_step(e->sched, until)) {
    }
}

static void send(struct end *e, const char *bytes, size_t count)
{
    note_bytes(e, bytes, count);
    native_rail_receive(e->rail, (const uint8_t *)bytes, count);
    run(e, LINE_US);
}

static bool takes(const char **line, size_t *count, const char *word)
{
    const size_t n = strlen(word);
    if (*count < n || memcmp(*line, word, n) != 0) return false;
    *line += n;
    *count -= n;
    return true;
}

static void happen(struct end *e, const char *line, size_t count)
{
    if (takes(&line, &count, "@near")) {
        e->near_open = !e->near_open;
        native_rail_look(e->rail);
    } else if (takes(&line, &count, "@far")) {
        e->far_open = !e->far_open;
        native_rail_look(e->rail);
    } else if (takes(&line, &count, "@emergency")) {
        e->emergency = !e->emergency;
        native_rail_look(e->rail);
    } else if (takes(&line, &count, "@reset")) {
        e->seq = 0;
        e->reply_count = 0;
        e->request_count = 0;
        native_rail_reset(e->rail);
    } else if (takes(&line, &count, "@wait")) {
        const int64_t ms = fuzz_number(&line, &count);
        run(e, 1000 * (ms < 0 ? 0 : ms > WAIT_MOST_MS ? WAIT_MOST_MS : ms));
    } else if (takes(&line, &count, "@again")) {
        send(e, e->last, e->last_count);
    } else if (takes(&line, &count, "@seq")) {
        e->seq = (uint8_t)(fuzz_number(&line, &count) - 1);
    } else if (takes(&line, &count, "@raw ")) {
        send(e, line, count);
        send(e, "\n", 1);
    }
}

static void ask(struct end *e, const char *body, size_t count)
{
    e->seq = e->seq == 0xff ? 1 : (uint8_t)(e->seq + 1);
    const size_t n = fuzz_line(e->seq, body, count, e->last, sizeof e->last);
    if (!n) return;
    e->last_count = n;
    send(e, e->last, n);
}

static void talk(struct end *e, struct fuzz_text text)
{
    const char *line;
    size_t count;
    while (sched_now_us(e->sched) < TIME_MOST_US && fuzz_next_line(&text, &line, &count)) {
        if (count && line[0] == '@')
            happen(e, line, count);
        else
            ask(e, line, count);
    }
}

/* The emergency input ends every motion with at most one more pulse (unless it was set up as not fitted). */
static void press_emergency(struct end *e)
{
    e->emergency = true;
    native_rail_look(e->rail);
    const int64_t edges = e->edges;
    run(e, 50000);
    FUZZ_HOLDS(e->may_set || e->edges <= edges + 1);
    FUZZ_HOLDS(native_rail_edges(e->rail, NULL) == e->edges);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct end e = {0};
    struct err why = {0};
    if (!size) return 0;
    const struct native_rail_opts opts = {
        .arg = &e,
        .edge = on_edge,
        .switches = on_switches,
        .emergency = on_emergency,
        .seed = 1,
        .blank_storage = data[0] & 2,
    };
    e.sched = sched_new_virtual(&why);
    e.rail = e.sched ? native_rail_new(e.sched, &opts, &why) : NULL;
    FUZZ_HOLDS(e.rail != NULL);
    native_rail_connect(e.rail, on_reply, &e);
    const char *text = (const char *)data + 1;
    if (data[0] & 1)
        talk(&e, (struct fuzz_text){text, size - 1});
    else
        send(&e, text, size - 1);
    press_emergency(&e);
    native_rail_free(e.rail);
    sched_free(e.sched);
    return 0;
}
