#include <inttypes.h>
#include <string.h>

#include "base/json.h"
#include "base/mem.h"
#include "cmd_again.h"
#include "run/control.h"
#include "store/store.h"

struct tally {
    int32_t by_state[EXPOSURE_FAILED + 1];
    int32_t slices, kept, on_card; /* on_card: slices that are fired, their frames to be imported */
    int32_t card_files;            /* with the closing frame's */
    bool closing;
};

static int count_slices(struct store *st, struct tally *t, struct err *why)
{
    struct slice_row *rows;
    int32_t count;
    int rc = store_slices(st, 0, &rows, &count, why);
    if (rc) return rc;
    t->slices = count;
    mem_free(rows);
    return E_OK;
}

static int count_exposures(struct store *st, struct tally *t, struct err *why)
{
    struct exposure_row *rows;
    int32_t count;
    int rc = store_exposures(st, &rows, &count, why);
    if (rc) return rc;
    for (int32_t i = 0; i < count; i++) {
        t->by_state[rows[i].state]++;
        if (store_on_card(&rows[i])) {
            t->on_card += rows[i].purpose == PURPOSE_STACK && rows[i].bracket == 0;
            t->card_files++;
        }
        if (rows[i].state != EXPOSURE_KEPT) continue;
        if (rows[i].purpose == PURPOSE_STACK && rows[i].bracket == 0) t->kept++;
        if (rows[i].purpose == PURPOSE_CLOSING) t->closing = true;
    }
    mem_free(rows);
    return E_OK;
}

static json_t *states_json(const struct tally *t)
{
    static const char *const words[] = {"firing", "seen", "kept", "lost", "doubtful", "failed"};
    json_t *out = json_object();
    for (int i = 0; i <= EXPOSURE_FAILED; i++)
        json_object_set_new(out, words[i], json_integer(t->by_state[i]));
    return out;
}

static json_t *last_event_json(struct store *st)
{
    struct event_row *rows;
    int32_t count;
    if (store_events(st, &rows, &count, NULL)) return json_null();
    json_t *out = json_null();
    if (count) {
        out = json_object();
        json_object_set_new(out, "at", json_utc(rows[count - 1].at_wall_us));
        json_object_set_new(out, "kind", json_text(rows[count - 1].kind));
        json_object_set_new(out, "text", json_text(rows[count - 1].text));
        json_object_set_new(out, "detail", json_text(rows[count - 1].detail));
    }
    mem_free(rows);
    return out;
}

static void text(FILE *out, const json_t *r)
{
    const char *key;
    json_t *n;
    const json_t *last = json_object_get(r, "last_event");
    fprintf(out, "%s: %s%s, %.0f of %.0f slices kept, %.0f left\n", json_get_text(r, "stack"),
            json_get_text(r, "kind"), json_is_true(json_object_get(r, "simulated")) ? ", simulated" : "",
            json_get_number(r, "kept"), json_get_number(r, "slices"), json_get_number(r, "left"));
    if (json_get_number(r, "on_card") > 0)
        fprintf(out, "%.0f more are fired, their frames are on the camera's card\n",
                json_get_number(r, "on_card"));
    fputs("exposures:", out);
    json_object_foreach(json_object_get(r, "exposures"), key, n) if (json_integer_value(n))
        fprintf(out, " %" JSON_INTEGER_FORMAT " %s", json_integer_value(n), key);
    if (json_is_object(last))
        fprintf(out, "\nlast: %s %s, %s", json_get_text(last, "at"), json_get_text(last, "kind"),
                json_get_text(last, "text"));
    const json_t *now = json_object_get(r, "now");
    if (json_is_object(now))
        fprintf(out, "\nnow: process %.0f is shooting it, slice %.0f, %s%s", json_get_number(now, "pid"),
                json_get_number(now, "slice"), json_get_text(now, "doing"),
                json_is_true(json_object_get(now, "pausing")) ? "; it was asked to end" : "");
    fprintf(out, "\nnext: %s\n", json_get_text(r, "next"));
}

static const char *verdict_hint(const struct stack_info *info, const struct tally *t)
{
    if (info->kind == STACK_PLANNED && t->kept + t->on_card < t->slices) return "staddle resume";
    if (t->card_files) return "put the camera's card in, then staddle import --pair";
    return "staddle check";
}

/* What the run that is under way says; null when there is none. */
static json_t *now_json(const char *dir)
{
    char answer[512];
    json_t *said =
        control_ask(dir, "status", answer, sizeof answer, NULL) ? NULL : json_loads(answer, 0, NULL);
    if (!said) return json_null();
    json_object_del(said, "answer");
    if (json_get_number(said, "left_s") < 0) json_object_set_new(said, "left_s", json_null());
    return said;
}

static int result(struct cmd *c, const char *dir, struct store *st, const struct stack_info *info,
                  const struct tally *t)
{
    json_t *out = cmd_result(c);
    json_object_set_new(out, "stack", json_text(dir));
    json_object_set_new(out, "name", json_text(info->name));
    json_object_set_new(out, "kind", json_text(info->kind == STACK_IMPORTED ? "imported" : "planned"));
    json_object_set_new(out, "simulated", json_boolean(info->simulated));
    json_object_set_new(out, "created", json_utc(info->created_wall_us));
    json_object_set_new(out, "slices", json_integer(t->slices));
    json_object_set_new(out, "kept", json_integer(t->kept));
    json_object_set_new(out, "on_card", json_integer(t->on_card));
    json_object_set_new(out, "left", json_integer(t->slices - t->kept - t->on_card));
    json_object_set_new(out, "closing", json_boolean(t->closing));
    json_object_set_new(out, "exposures", states_json(t));
    json_object_set_new(out, "last_event", last_event_json(st));
    json_object_set_new(out, "now", now_json(dir));
    json_object_set_new(
        out, "next",
        json_sprintf("%s %s%s", verdict_hint(info, t), dir,
                     t->card_files && t->kept + t->on_card == t->slices ? " CARDFOLDER" : ""));
    cmd_print(c, out, text);
    return t->kept < t->slices ? 1 : 0;
}

static int run(struct cmd *c, struct err *why)
{
    struct store *st;
    struct stack_info info;
    struct tally t = {0};
    char dir[PATH_ROOM];
    int rc = cmd_again_stack(c, dir, why);
    if (!rc) rc = store_open(dir, true, &st, why);
    if (rc) return rc;
    rc = store_info(st, &info, why);
    if (!rc) {
        rc = count_slices(st, &t, why);
        if (!rc) rc = count_exposures(st, &t, why);
        if (!rc) rc = result(c, dir, st, &info, &t);
        stack_info_clear(&info);
    }
    store_close(st);
    return rc;
}

const struct verb verb_status = {
    .name = "status",
    .operands = "[STACK]",
    .least = 0,
    .most = 1,
    .summary = "say how far a stack has come",
    .about =
        "Counts the slices of a stack that have their frame and those that are left, and the exposures by\n"
        "state. Reads only; also while the stack is being shot, when it says what is being done now, and\n"
        "whether it was asked to end. Without STACK: of the one that was begun last. Status 1 when slices\n"
        "are left.",
    .run = run,
};
