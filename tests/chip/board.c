#include "tests/chip/board.h"

#include "tests/support/rail_rig.h"
#include "tests/support/test.h"

static void *grown(void *rows, int32_t count, int32_t *room, size_t size)
{
    if (count < *room) return rows;
    *room = *room ? *room * 2 : 4096;
    rows = realloc(rows, (size_t)*room * size);
    assert_non_null(rows);
    return rows;
}

void board_note_edge(struct board *b, int64_t cycle, int dir)
{
    b->pulses++;
    b->net += dir;
    b->edge = grown(b->edge, b->edges, &b->edge_room, sizeof *b->edge);
    b->edge[b->edges++] = (struct edge){cycle, dir};
    if (b->on_edge) b->on_edge(b, b->arg);
}

void board_note_run(struct board *b, const struct run_words *w)
{
    b->word = grown(b->word, b->words, &b->word_room, sizeof *b->word);
    b->word[b->words++] = *w;
}

void board_note_byte(struct board *b, uint8_t byte)
{
    if (b->heard_count + 1 < sizeof b->heard) b->heard[b->heard_count++] = (char)byte;
    b->heard[b->heard_count] = '\0';
}

void board_close(struct board *b)
{
    free(b->edge);
    free(b->word);
    b->ops->close(b);
}

void board_forget(struct board *b)
{
    b->edges = 0;
    b->words = 0;
    b->heard_count = 0;
    b->heard[0] = '\0';
}

void board_run_us(struct board *b, int64_t us)
{
    b->ops->run(b, us * CYCLES_US);
}

void board_send(struct board *b, const char *bytes)
{
    b->heard_count = 0;
    b->heard[0] = '\0';
    b->ops->send(b, bytes, strlen(bytes));
}

const char *board_say_within(struct board *b, const char *words, int ms)
{
    b->seq = b->seq == 0xff ? 1 : (uint8_t)(b->seq + 1);
    board_send(b, rig_line(b->seq, words));
    int64_t until = b->now + ms * CYCLES_MS;
    const char *end = NULL;
    while (b->now < until && !end) {
        b->ops->run(b, 50 * CYCLES_US);
        end = strchr(b->heard, '\n');
    }
    if (!end || end - b->heard < 16) return "";
    size_t n = (size_t)(end - b->heard) - 16;
    memcpy(b->said, b->heard + 11, n);
    b->said[n] = '\0';
    return b->said;
}

const char *board_say(struct board *b, const char *words)
{
    return board_say_within(b, words, 50);
}

struct board_state board_state(struct board *b)
{
    struct board_state s;
    const char *said = board_say(b, "state");
    if (sscanf(said, "ok %ld %ld %ld %ld %ld %ld %ld %ld %ld %ld %ld", &s.phase, &s.position, &s.target,
               &s.known, &s.alarm, &s.switches, &s.outputs, &s.shots, &s.stops, &s.uptime, &s.badlines) != 11)
        fail_msg("%s: state: '%s'", b->ops->name, said);
    return s;
}

void board_live_us(struct board *b, int64_t us)
{
    int64_t until = b->now + us * CYCLES_US;
    while (until - b->now > 100 * CYCLES_MS) {
        board_state(b);
        board_run_us(b, 95000);
    }
    if (until > b->now) b->ops->run(b, until - b->now);
}

void board_expect(struct board *b, const char *words, const char *reply)
{
    const char *said = board_say(b, words);
    if (strcmp(said, reply) != 0) fail_msg("%s: %s: '%s' instead of '%s'", b->ops->name, words, said, reply);
}

long board_promise(struct board *b, const char *words)
{
    long ms = 0, target;
    const char *said = board_say(b, words);
    if (sscanf(said, "ok %ld %ld", &ms, &target) != 2) fail_msg("%s: %s: '%s'", b->ops->name, words, said);
    return ms;
}
