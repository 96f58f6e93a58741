#include "cmd_axis_keys.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "base/json.h"
#include "staddle/wire.h"

/* As in hw-docs/wire.md, section 6; a test compares. */
static const struct {
    const char *name, *unit, *what;
} keys[WIRE_KEYS] = {
    [WIRE_KEY_SPEED] = {"speed", "steps/s", "top of the ramp"},
    [WIRE_KEY_ACCEL] = {"accel", "steps/s^2", "of the ramp"},
    [WIRE_KEY_JUMP] = {"jump", "steps/s", "starts and stops so fast without losing a step"},
    [WIRE_KEY_CREEP] = {"creep", "steps/s", "last approach when it finds its zero"},
    [WIRE_KEY_IDLE_MS] = {"idle_ms", "ms", "at rest so long, then reduced current"},
    [WIRE_KEY_WAKE_US] = {"wake_us", "us", "driver wake-up before the first step"},
    [WIRE_KEY_SHUTTER_MS] = {"shutter_ms", "ms", "longest that the shutter contact is closed"},
    [WIRE_KEY_SWITCHES] = {"switches", "bits", "inputs that are fitted: 1 near, 2 far, 4 emergency"},
    [WIRE_KEY_SPAN] = {"span", "steps", "furthest that it searches its zero"},
    [WIRE_KEY_LEAVE] = {"leave", "steps", "a pressed switch must have closed within"},
    [WIRE_KEY_CLEARANCE] = {"clearance", "steps", "goes on so far after the switch has closed"},
    [WIRE_KEY_REVERSE] = {"reverse", "flag", "1: the motor turns the other way round"},
    [WIRE_KEY_SMOOTH_MS] = {"smooth_ms", "ms", "acceleration of the ramp comes and goes within"},
};

static int unknown_key(const char *text, struct err *why)
{
    char names[200] = "";
    for (int k = 0; k < WIRE_KEYS; k++) {
        strcat(names, k ? ", " : "");
        strcat(names, keys[k].name);
    }
    return fail(why, E_INPUT, "axis keys: %.*s: there is no such parameter; write one of %s",
                (int)strcspn(text, "="), text, names);
}

int axis_keys_parse(const char *text, struct axis_key_wish *out, struct err *why)
{
    const size_t n = strcspn(text, "=");
    int key = 0;
    while (key < WIRE_KEYS && (strlen(keys[key].name) != n || strncmp(keys[key].name, text, n) != 0))
        key++;
    if (key == WIRE_KEYS) return unknown_key(text, why);
    char *end;
    errno = 0;
    const long value = strtol(text + n + 1, &end, 10);
    if (end == text + n + 1 || *end || errno || value < 0 || value > INT32_MAX)
        return fail(why, E_INPUT, "axis keys: %.40s: write a whole number behind the =", text);
    *out = (struct axis_key_wish){key, (int32_t)value};
    return E_OK;
}

static int read_all(struct axis_session *s, json_t *list, struct err *why)
{
    for (int k = 0; k < WIRE_KEYS; k++) {
        int32_t value = 0;
        int rc = axis_session_key(s, AXIS_KEY_READ, k, &value, why);
        if (rc) return rc;
        json_t *row = json_object();
        json_object_set_new(row, "key", json_integer(k));
        json_object_set_new(row, "name", json_text(keys[k].name));
        json_object_set_new(row, "unit", json_text(keys[k].unit));
        json_object_set_new(row, "value", json_integer(value));
        json_object_set_new(row, "what", json_text(keys[k].what));
        json_array_append_new(list, row);
    }
    return E_OK;
}

int axis_keys_run(struct axis_session *s, const struct axis_key_wish *wish, bool save, json_t *out,
                  struct err *why)
{
    int32_t value = wish ? wish->value : 0;
    json_t *list = json_array();
    json_object_set_new(out, "keys", list);
    int rc = wish ? axis_session_key(s, AXIS_KEY_SET, wish->key, &value, why) : E_OK;
    if (!rc && save) rc = axis_session_key(s, AXIS_KEY_SAVE, 0, &value, why);
    json_object_set_new(out, "saved", json_boolean(save));
    return rc ? rc : read_all(s, list, why);
}

void axis_keys_text(FILE *out, const json_t *r)
{
    size_t i;
    json_t *row;
    json_array_foreach (json_object_get(r, "keys"), i, row)
        fprintf(out, "  %-10s %8.0f %-10s %s\n", json_get_text(row, "name"), json_get_number(row, "value"),
                json_get_text(row, "unit"), json_get_text(row, "what"));
    if (json_is_true(json_object_get(r, "saved"))) fputs("saved: they outlast a power cut\n", out);
}
