/* cmd_import_pair.c - staddle import --pair STACK FOLDER */
#include <math.h>
#include <string.h>

#include "base/json.h"
#include "base/sched.h"
#include "base/units.h"
#include "cmd_evening.h"
#include "cmd_import.h"
#include "store/import_pair.h"

#define EXTRAS_SHOWN 12

static const char *file_name(const struct import_list *l, int32_t frame)
{
    return l->frames[frame].files[0].name;
}

static json_t *rows_json(const struct pair_result *r, const struct import_list *l, enum pair_end end)
{
    json_t *out = json_array();
    for (int32_t i = 0; i < r->count; i++) {
        const struct pair_row *row = &r->rows[i];
        char name[64];
        if (row->end != end || (end == PAIR_GIVEN_UP && row->frame < 0)) continue;
        import_pair_name(&row->exposure, name, sizeof name);
        json_t *one = json_object();
        json_object_set_new(one, "exposure", json_text(name));
        json_object_set_new(one, "slice",
                            row->exposure.slice ? json_integer(row->exposure.slice) : json_null());
        json_object_set_new(one, "file", row->frame < 0 ? json_null() : json_text(file_name(l, row->frame)));
        json_array_append_new(out, one);
    }
    return out;
}

/* "before slice 1", "after slice 7", "after the closing frame" */
static json_t *extras_json(const struct pair_result *r, const struct import_list *l)
{
    json_t *out = json_array();
    for (int32_t i = 0; i < r->extra_count; i++) {
        const struct pair_extra *x = &r->extras[i];
        char name[64], where[80];
        import_pair_name(&r->rows[x->after < 0 ? 0 : x->after].exposure, name, sizeof name);
        snprintf(where, sizeof where, "%s %s", x->after < 0 ? "before" : "after", name);
        json_t *one = json_object();
        json_object_set_new(one, "file", json_text(file_name(l, x->frame)));
        json_object_set_new(one, "where", json_text(where));
        json_array_append_new(out, one);
    }
    return out;
}

static json_t *describe(const struct cmd *c, const char *dir, const struct import_list *l,
                        const struct pair_result *r)
{
    json_t *out = cmd_result(c);
    json_object_set_new(out, "stack", json_text(dir));
    json_object_set_new(out, "folder", json_text(l->folder));
    json_object_set_new(out, "paired", json_integer(r->by_end[PAIR_BROUGHT]));
    json_object_set_new(out, "already", json_integer(r->by_end[PAIR_HAD] + r->by_end[PAIR_RAW]));
    json_object_set_new(out, "raws_added", json_integer(r->by_end[PAIR_RAW]));
    json_object_set_new(out, "paired_by", json_text(r->by_time ? "time" : r->by_bytes ? "content" : "order"));
    json_object_set_new(out, "clock_ahead_s",
                        r->by_time ? json_rounded(s_from_us(r->ahead_us), 3) : json_null());
    json_object_set_new(out, "clock_fast_ppm",
                        r->by_time && r->resolution_us < US_PER_S ? json_rounded(r->fast_ppm, 1)
                                                                  : json_null());
    json_object_set_new(out, "clock_shows_s",
                        r->by_time ? json_rounded(s_from_us(r->resolution_us), 3) : json_null());
    json_object_set_new(out, "missing", rows_json(r, l, PAIR_MISSING));
    json_object_set_new(out, "given_up", rows_json(r, l, PAIR_GIVEN_UP));
    json_object_set_new(out, "extra", extras_json(r, l));
    return out;
}

static void text_clock(FILE *out, const json_t *r)
{
    double s = json_get_number(r, "clock_ahead_s");
    if (!strcmp(json_get_text(r, "paired_by"), "content")) return;
    if (!json_is_number(json_object_get(r, "clock_ahead_s"))) {
        fputs("paired by order: the files tell no time\n", out);
        return;
    }
    const char *word = s < 0 ? "behind" : "ahead of";
    s = fabs(s);
    fputs(s < 0.1 ? "the camera's clock agrees with this computer's" : "the camera's clock is ", out);
    if (s >= 3600) fprintf(out, "%.0f h ", floor(s / 3600));
    if (s >= 60) fprintf(out, "%.0f min ", floor(fmod(s, 3600) / 60));
    if (s >= 0.1) fprintf(out, "%.1f s %s this computer's", floor(fmod(s, 60) * 10) / 10, word);
    if (json_is_number(json_object_get(r, "clock_fast_ppm")) &&
        fabs(json_get_number(r, "clock_fast_ppm")) >= 1)
        fprintf(out, ", and gains %.0f ppm", json_get_number(r, "clock_fast_ppm"));
    fputs(json_get_number(r, "clock_shows_s") >= 1 ? "; its files tell whole seconds\n" : "\n", out);
}

static void text(FILE *out, const json_t *r)
{
    size_t i;
    json_t *row;
    const json_t *extra = json_object_get(r, "extra");
    const double paired = json_get_number(r, "paired"), already = json_get_number(r, "already"),
                 raws = json_get_number(r, "raws_added");
    fprintf(out, "%s: %.0f frame%s brought from %s", json_get_text(r, "stack"), paired,
            paired == 1 ? "" : "s", json_get_text(r, "folder"));
    fprintf(out, already > 0 ? ", %.0f here already\n" : "\n", already);
    if (raws > 0) fprintf(out, "%.0f raw%s brought to the JPEGs that are here\n", raws, raws == 1 ? "" : "s");
    text_clock(out, r);
    json_array_foreach (json_object_get(r, "missing"), i, row)
        fprintf(out, "missing: %s was fired, and no frame of it is there\n", json_get_text(row, "exposure"));
    json_array_foreach (json_object_get(r, "given_up"), i, row)
        fprintf(out, "left there: %s is of %s, which was given up\n", json_get_text(row, "file"),
                json_get_text(row, "exposure"));
    json_array_foreach (extra, i, row)
        if (i < EXTRAS_SHOWN)
            fprintf(out, "left there: %s belongs to no exposure (%s)\n", json_get_text(row, "file"),
                    json_get_text(row, "where"));
    if (json_array_size(extra) > EXTRAS_SHOWN)
        fprintf(out, "and %zu more that belong to none\n", json_array_size(extra) - EXTRAS_SHOWN);
    fprintf(out, "next: staddle check %s\n", json_get_text(r, "stack"));
}

static int note(struct store *st, const struct pair_result *r, struct err *why)
{
    char what[80];
    struct sched *clock = sched_new_real(why);
    if (!clock) return E_NOMEM;
    const int64_t now_us = sched_wall_us(clock);
    sched_free(clock);
    snprintf(what, sizeof what, "%d frames and %d raws from the card, %d missing",
             (int)r->by_end[PAIR_BROUGHT], (int)r->by_end[PAIR_RAW], (int)r->by_end[PAIR_MISSING]);
    return r->by_end[PAIR_BROUGHT] || r->by_end[PAIR_RAW]
               ? store_add_event(st, now_us, "import", what, "", why)
               : E_OK;
}

static int pair(struct cmd *c, const char *dir, struct store *st, const struct import_list *l,
                struct err *why)
{
    struct pair_result r;
    int rc = import_pair_find(st, l, cmd_text(c, "first"), &r, why);
    if (rc) return rc;
    rc = import_pair_bring(st, l, &r, why);
    if (!rc) rc = note(st, &r, why);
    if (!rc) {
        cmd_print(c, describe(c, dir, l, &r), text);
        rc = r.by_end[PAIR_MISSING] ? 1 : 0;
    }
    import_pair_clear(&r);
    return rc;
}

int cmd_import_pair(struct cmd *c, struct err *why)
{
    const char *dir = cmd_text(c, "pair");
    struct import_list list;
    struct store *st;
    if (cmd_text(c, "order") || cmd_text(c, "stack"))
        return fail(why, E_INPUT, "--pair: the stack is there already; leave --order and --stack out");
    int rc = store_open(dir, false, &st, why);
    if (rc) return rc;
    rc = import_scan(cmd_operand(c, 0), &list, why);
    if (!rc) {
        rc = pair(c, dir, st, &list, why);
        import_list_clear(&list);
    }
    store_close(st);
    json_t *line = NULL;
    if (!rc && cmd_evening_has_list(dir) && !cmd_evening_note(dir, &line, NULL)) json_decref(line);
    return rc;
}
