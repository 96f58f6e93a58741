#include "base/findings.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "base/json.h"
#include "base/mem.h"

static int make_room(struct finding_list *list, struct err *why)
{
    if (list->count < list->room) return E_OK;
    const int32_t room = list->room ? 2 * list->room : 8;
    struct finding *rows = mem_grow(list->rows, (size_t)list->room, (size_t)room, sizeof *rows, why);
    if (!rows) return E_NOMEM;
    list->rows = rows;
    list->room = room;
    return E_OK;
}

int finding_add(struct finding_list *list, struct finding_about about, struct err *why, const char *format,
                ...)
{
    struct finding row = {.grave = about.grave};
    int rc = make_room(list, why);
    if (rc) return rc;
    if (about.frames && about.frame_count > 0) {
        row.frames = mem_new((size_t)about.frame_count, sizeof *row.frames, why);
        if (!row.frames) return E_NOMEM;
        memcpy(row.frames, about.frames, (size_t)about.frame_count * sizeof *row.frames);
        row.frame_count = about.frame_count;
    }
    va_list ap;
    va_start(ap, format);
    vsnprintf(row.text, sizeof row.text, format, ap);
    va_end(ap);
    snprintf(row.code, sizeof row.code, "%s", about.code);
    snprintf(row.advice, sizeof row.advice, "%s", about.advice ? about.advice : "");
    list->rows[list->count++] = row;
    return E_OK;
}

bool findings_grave(const struct finding_list *list)
{
    for (int32_t i = 0; i < list->count; i++)
        if (list->rows[i].grave) return true;
    return false;
}

void findings_clear(struct finding_list *list)
{
    if (!list) return;
    for (int32_t i = 0; i < list->count; i++)
        mem_free(list->rows[i].frames);
    mem_free(list->rows);
    *list = (struct finding_list){0};
}

json_t *findings_json(const struct finding_list *list)
{
    json_t *out = json_array();
    for (int32_t i = 0; out && i < list->count; i++) {
        const struct finding *f = &list->rows[i];
        json_t *frames = json_array();
        for (int32_t k = 0; k < f->frame_count; k++)
            json_array_append_new(frames, json_integer(f->frames[k]));
        json_array_append_new(out, json_pack("{s:o, s:b, s:o, s:o, s:o}", "code", json_text(f->code), "grave",
                                             f->grave, "text", json_text(f->text), "advice",
                                             json_text(f->advice), "frames", frames));
    }
    return out;
}
