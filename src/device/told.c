#include "device/told.h"

#include <stdio.h>
#include <string.h>
#include <strings.h>

#include "base/mem.h"
#include "device/camera_wire.h"

#define ROWS_MOST    1000 /* a camera that has more talks nonsense; our choice */
#define CHOICES_MOST 1000

static const char *const kinds[] = {"text", "choice", "range", "switch", "date"};
#define KINDS (sizeof kinds / sizeof *kinds)

const char *told_kind_word(enum told_kind kind)
{
    return kinds[kind];
}

void told_clear(struct told *t)
{
    if (!t) return;
    for (int32_t i = 0; i < t->count; i++)
        mem_free(t->rows[i].can);
    mem_free(t->rows);
    *t = (struct told){0};
}

const struct told_setting *told_find(const struct told *t, const char *name)
{
    for (int32_t i = 0; i < t->count; i++)
        if (!strcasecmp(t->rows[i].name, name)) return &t->rows[i];
    return NULL;
}

static struct told_setting *new_row(struct told *t, struct err *why)
{
    if (t->count == t->room) {
        const int32_t room = t->room ? 2 * t->room : 32;
        void *more = mem_grow(t->rows, (size_t)t->room, (size_t)room, sizeof *t->rows, why);
        if (!more) return NULL;
        t->rows = more;
        t->room = room;
    }
    struct told_setting *row = &t->rows[t->count++];
    *row = (struct told_setting){0};
    return row;
}

static void set_word(told_word out, const char *text)
{
    snprintf(out, TOLD_ROOM, "%s", text);
}

static int set_choices(struct told_setting *row, const char *can, struct err *why)
{
    size_t count = 1, length;
    for (const char *p = can; *p; p++)
        count += *p == '|';
    row->can = mem_new(count, sizeof *row->can, why);
    if (!row->can) return E_NOMEM;
    for (const char *p = can;; p += length + 1) {
        length = strcspn(p, "|");
        snprintf(row->can[row->can_count++], TOLD_ROOM, "%.*s", (int)length, p);
        if (!p[length]) return E_OK;
    }
}

int told_add(struct told *t, const char *name, enum told_kind kind, const char *is, const char *can,
             struct err *why)
{
    struct told_setting *row = new_row(t, why);
    if (!row) return E_NOMEM;
    set_word(row->name, name);
    set_word(row->is, is);
    row->kind = kind;
    row->fixed = kind == TOLD_CHOICE && !can;
    return can ? set_choices(row, can, why) : E_OK;
}

/* ---- from the camera program */

static int64_t whole_or_unknown(const json_t *o, const char *key)
{
    const json_t *v = json_object_get(o, key);
    return json_is_integer(v) && json_integer_value(v) >= 0 ? (int64_t)json_integer_value(v) : TOLD_UNKNOWN;
}

static int read_choices(const json_t *list, struct told_setting *row, struct err *why)
{
    const size_t count = json_array_size(list);
    if (!count || count > CHOICES_MOST) return E_OK;
    row->can = mem_new(count, sizeof *row->can, why);
    if (!row->can) return E_NOMEM;
    for (size_t i = 0; i < count; i++) {
        const char *word = json_string_value(json_array_get(list, i));
        if (word) set_word(row->can[row->can_count++], word);
    }
    return E_OK;
}

static int read_row(const json_t *o, struct told *t, struct err *why)
{
    size_t kind = 0;
    while (kind < KINDS && strcmp(kinds[kind], camera_text(o, "kind")) != 0)
        kind++;
    if (kind == KINDS || !camera_text(o, "name")[0]) return E_OK;
    struct told_setting *row = new_row(t, why);
    if (!row) return E_NOMEM;
    row->kind = (enum told_kind)kind;
    set_word(row->name, camera_text(o, "name"));
    set_word(row->is, camera_text(o, "is"));
    row->fixed = json_is_true(json_object_get(o, "fixed"));
    row->least = json_number_value(json_object_get(o, "least"));
    row->most = json_number_value(json_object_get(o, "most"));
    return read_choices(json_object_get(o, "can"), row, why);
}

int told_read(const json_t *o, struct told *out, struct err *why)
{
    struct told t = {.free_bytes = whole_or_unknown(o, "free_kb"),
                     .free_frames = whole_or_unknown(o, "free_frames")};
    size_t i;
    json_t *row;
    int rc = E_OK;
    if (t.free_bytes != TOLD_UNKNOWN)
        t.free_bytes = t.free_bytes > INT64_MAX / 1024 ? INT64_MAX : t.free_bytes * 1024;
    snprintf(t.model, sizeof t.model, "%s", camera_text(o, "model"));
    json_array_foreach (json_object_get(o, "settings"), i, row)
        if (!rc && i < ROWS_MOST) rc = read_row(row, &t, why);
    if (rc)
        told_clear(&t);
    else
        *out = t;
    return rc;
}
