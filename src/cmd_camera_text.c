#include "cmd_camera.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "base/json.h"
#include "device/trade.h"

#define WIDTH 76 /* of a list that is printed whole */

static bool listed(const json_t *list, const char *word)
{
    size_t i;
    json_t *one;
    json_array_foreach (list, i, one)
        if (!strcmp(json_string_value(one), word)) return true;
    return false;
}

static json_t *can_json(const struct told_setting *row, enum trade t)
{
    json_t *list = json_array();
    told_word said;
    for (int32_t i = 0; i < row->can_count; i++) {
        trade_say(t, row->can[i], said);
        if (!listed(list, said)) json_array_append_new(list, json_text(said));
    }
    return list;
}

static json_t *setting_json(const struct told *told, enum trade t)
{
    const struct told_setting *row = trade_find(told, t);
    told_word said;
    json_t *out = json_pack("{s:s}", "name", trade_name(t));
    if (!row) {
        json_object_set_new(out, "is", json_null());
        return out;
    }
    trade_say(t, row->is, said);
    json_object_set_new(out, "is", json_text(said));
    json_object_set_new(out, "can", can_json(row, t));
    json_object_set_new(out, "fixed", json_boolean(row->fixed || t == TRADE_BULB));
    json_object_set_new(out, "camera_name", json_text(row->name));
    json_object_set_new(out, "camera_says", json_text(row->is));
    return out;
}

static json_t *whole_or_null(int64_t v)
{
    return v == TOLD_UNKNOWN ? json_null() : json_integer((json_int_t)v);
}

void cmd_camera_describe(json_t *out, const struct told *told)
{
    const struct told_setting *battery = told_find(told, "batterylevel"),
                              *clock = told_find(told, "datetime");
    json_t *settings = json_array(), *others = json_object();
    json_object_set_new(out, "model", json_text(told->model));
    json_object_set_new(out, "battery", battery ? json_text(battery->is) : json_null());
    json_object_set_new(out, "free_bytes", whole_or_null(told->free_bytes));
    json_object_set_new(out, "free_frames", whole_or_null(told->free_frames));
    json_object_set_new(out, "clock_utc",
                        clock && clock->kind == TOLD_DATE ? json_utc(atoll(clock->is) * 1000000)
                                                          : json_null());
    for (int t = 0; t < TRADE_COUNT; t++)
        json_array_append_new(settings, setting_json(told, (enum trade)t));
    for (int32_t i = 0; i < told->count; i++)
        json_object_set_new(others, told->rows[i].name, json_text(told->rows[i].is));
    json_object_set_new(out, "settings", settings);
    json_object_set_new(out, "all", others);
}

/* ---- text */

static void text_head(FILE *out, const json_t *r)
{
    const json_t *battery = json_object_get(r, "battery");
    const double bytes = json_get_number(r, "free_bytes"), frames = json_get_number(r, "free_frames");
    fprintf(out, "%s: battery %s", json_get_text(r, "model"),
            json_is_string(battery) ? json_string_value(battery) : "not told");
    if (bytes >= 0) fprintf(out, ", %.1f GB free", bytes / 1e9);
    if (frames >= 0) fprintf(out, ", %.0f frames left", frames);
    if (!(bytes >= 0) && !(frames >= 0)) fputs(", space not told", out);
    fputc('\n', out);
}

static void text_can(FILE *out, const json_t *can)
{
    char line[WIDTH + 1] = "";
    size_t used = 0, i;
    json_t *one;
    const size_t count = json_array_size(can);
    json_array_foreach (can, i, one) {
        const char *word = json_string_value(one);
        if (used + strlen(word) + 2 > WIDTH) break;
        used += (size_t)snprintf(line + used, sizeof line - used, "%s%s", used ? " " : "", word);
    }
    if (i == count)
        fputs(line, out);
    else
        fprintf(out, "%s to %s, %zu of them", json_string_value(json_array_get(can, 0)),
                json_string_value(json_array_get(can, count - 1)), count);
}

static void text_setting(FILE *out, const json_t *s)
{
    const json_t *is = json_object_get(s, "is"), *can = json_object_get(s, "can");
    if (!json_is_string(is)) {
        fprintf(out, "  %-14s not told\n", json_get_text(s, "name"));
        return;
    }
    fprintf(out, "  %-14s %-12s ", json_get_text(s, "name"), json_string_value(is));
    if (!strcmp(json_get_text(s, "name"), trade_name(TRADE_BULB)))
        fputs("used by itself for exposures longer than the longest", out);
    else if (json_is_true(json_object_get(s, "fixed")))
        fputs("set it by hand", out);
    else
        text_can(out, can);
    fputc('\n', out);
}

void cmd_camera_text(FILE *out, const json_t *r)
{
    size_t i;
    json_t *s;
    text_head(out, r);
    json_array_foreach (json_object_get(r, "settings"), i, s)
        text_setting(out, s);
    json_array_foreach (json_object_get(r, "set"), i, s)
        fprintf(out, "set: %s is %s\n", json_get_text(s, "name"), json_get_text(s, "is"));
    if (json_is_string(json_object_get(r, "preview")))
        fprintf(out, "what it sees: %s\n", json_get_text(r, "preview"));
    if (json_is_true(json_object_get(r, "simulated")))
        fputs("a simulated camera: it is switched on anew by each command\n", out);
}

void cmd_camera_text_verbose(FILE *out, const json_t *r)
{
    const char *name;
    json_t *is;
    cmd_camera_text(out, r);
    json_object_foreach(json_object_get(r, "all"), name, is)
        fprintf(out, "  %s = %s\n", name, json_string_value(is));
}

void cmd_camera_text_shot(FILE *out, const json_t *r)
{
    size_t i;
    json_t *f;
    json_array_foreach (json_object_get(r, "files"), i, f)
        fprintf(out, "%s: %.0f bytes, %s\n", json_get_text(f, "path"), json_get_number(f, "bytes"),
                json_get_text(f, "role"));
    if (json_is_string(json_object_get(r, "as")))
        fprintf(out, "kept with %s as a reference frame: %s\n", json_get_text(r, "stack"),
                json_get_text(r, "as"));
}
