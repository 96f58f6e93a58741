/* cmd_where.c - staddle where STACK X,Y */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/json.h"
#include "cmd.h"
#include "image/turned.h"
#include "report/locate.h"

/* A question, and all that answers it. */
struct where {
    const struct cmd *c;
    const struct judgement *j;
    struct locate located;
    int32_t w, h; /* as stored */
    struct pixel asked;
    int32_t in;  /* frame in whose picture it was asked */
    double x, y; /* the same in the first frame, middle of the pixel */
};

static int read_place(const char *text, struct pixel *out, struct err *why)
{
    long v[2];
    const char *p = text;
    for (int i = 0; i < 2; i++) {
        char *end;
        v[i] = strtol(p, &end, 10);
        if (end == p || v[i] < 0 || v[i] > 1000000 || *end != (i ? '\0' : ','))
            return fail(why, E_INPUT,
                        "%s: give the place as X,Y in pixels from the upper left, e.g. 1200,800", text);
        p = end + 1;
    }
    *out = (struct pixel){(int32_t)v[0], (int32_t)v[1]};
    return E_OK;
}

/* ---- the place, in the first frame */

static int put_into_first(struct where *q, struct err *why)
{
    const struct where_map *m = &q->located.map;
    const bool stored = cmd_flag(q->c, "as-stored");
    const int32_t w = stored ? q->w : m->width_px, h = stored ? q->h : m->height_px;
    const struct pixel at = q->asked;
    if (at.x >= w || at.y >= h)
        return fail(why, E_INPUT,
                    "%d,%d lies outside the picture, which %s %d x %d pixels; give a place inside", (int)at.x,
                    (int)at.y,
                    !turned(m->orientation) ? "has"
                    : stored                ? "is stored with"
                                            : "is shown with",
                    (int)w, (int)h);
    const struct pixel p = stored ? turned_to_shown(m->orientation, q->w, q->h, at) : at;
    where_back(m, q->in, p.x + 0.5, p.y + 0.5, &q->x, &q->y);
    if (!where_at(m, q->x, q->y))
        return fail(why, E_INPUT,
                    "%d,%d of %s lies outside the first frame, which shows less; no tile is followed there",
                    (int)at.x, (int)at.y, q->j->rows[q->in].files[0].name);
    return E_OK;
}

static int find_frame(struct where *q, struct err *why)
{
    const char *name = cmd_text(q->c, "in");
    return name ? locate_frame(&q->located, q->j, name, &q->in, why) : E_OK;
}

/* ---- the answer */

static struct pixel place_in(const struct where *q, int32_t frame)
{
    double x, y;
    where_in(&q->located.map, frame, q->x, q->y, &x, &y);
    return (struct pixel){(int32_t)floor(x), (int32_t)floor(y)};
}

static json_t *text_or_null(const char *text)
{
    return *text ? json_text(text) : json_null();
}

static json_t *position_json(const struct judgement *j, double frame)
{
    const int64_t nm = where_position_nm(j->rows, j->frames, frame);
    return nm == STACK_NONE ? json_null() : json_mm(nm);
}

static json_t *frame_json(const struct where *q, int32_t frame)
{
    const struct frame_row *row = &q->j->rows[frame];
    const struct pixel at = place_in(q, frame),
                       stored = turned_to_stored(q->located.map.orientation, q->w, q->h, at);
    json_t *o = json_pack("{s:i, s:i}", "frame", frame, "slice", row->slice);
    json_object_set_new(o, "file", json_text(row->files[0].name));
    json_object_set_new(o, "handover", text_or_null(locate_handed_name(&q->located, q->j, frame)));
    json_object_set_new(o, "x_px", json_integer(at.x));
    json_object_set_new(o, "y_px", json_integer(at.y));
    json_object_set_new(o, "stored_x_px", json_integer(stored.x));
    json_object_set_new(o, "stored_y_px", json_integer(stored.y));
    json_object_set_new(o, "position_mm", position_json(q->j, frame));
    return o;
}

static json_t *files_json(const struct where *q, const struct where_tile *t)
{
    json_t *list = json_array();
    for (int32_t k = 0; k < t->count; k++) {
        json_t *o = frame_json(q, t->frame[k]);
        json_object_set_new(o, "sharpness", json_rounded(t->sharpness[k], 3));
        json_array_append_new(list, o);
    }
    return list;
}

static json_t *others_json(const struct where *q, const struct where_tile *t)
{
    json_t *list = json_array();
    for (int32_t k = 0; k < t->others; k++)
        json_array_append_new(list, frame_json(q, t->other[k]));
    return list;
}

static bool is_in(const struct frame_list *list, int32_t frame)
{
    for (int32_t i = 0; i < list->count; i++)
        if (list->rows[i] == frame) return true;
    return false;
}

static void remark(json_t *findings, const char *code, bool grave, const char *advice, json_t *text)
{
    json_array_append_new(findings, json_pack("{s:s, s:b, s:o, s:s, s:[]}", "code", code, "grave", grave,
                                              "text", text, "advice", advice, "frames"));
}

static void say_no_texture(const struct where *q, json_t *findings)
{
    double x, y;
    remark(findings, "no-texture", false, "",
           json_sprintf("nothing there has texture, in any frame: no frame is sharper than another"));
    if (where_nearest(&q->located.map, q->x, q->y, &x, &y))
        remark(
            findings, "nearest-texture", false, "",
            json_sprintf("the nearest place with texture is about %d,%d of the first frame", (int)x, (int)y));
}

static void say_state(const struct where *q, json_t *findings)
{
    const struct verdict *v = &q->j->verdict;
    const ptrdiff_t tile = where_at(&q->located.map, q->x, q->y) - q->located.map.tiles;
    switch (v->tiles[tile].state) {
    case TILE_UNSHARP_BEFORE:
        remark(findings, "sharp-in-none", true, "",
               json_sprintf("it is sharp in no frame: it gets sharper up to the first one, and would go on"));
        break;
    case TILE_UNSHARP_AFTER:
        remark(findings, "sharp-in-none", true, "",
               json_sprintf("it is sharp in no frame: it gets sharper up to the last one, and would go on"));
        break;
    case TILE_GAP:
        remark(findings, "sharp-in-none", true, "",
               json_sprintf("it is sharp in no frame: its own is missing between two"));
        break;
    default:
        break;
    }
}

static void say_frames(const struct where *q, const struct where_tile *t, json_t *findings)
{
    const struct verdict *v = &q->j->verdict;
    for (int32_t k = 0; k < t->count; k++) {
        const char *name = q->j->rows[t->frame[k]].files[0].name;
        if (is_in(&v->blurred, t->frame[k]))
            remark(findings, "blurred", false, "", json_sprintf("%s is blurred as a whole", name));
        if (is_in(&v->shifted, t->frame[k]))
            remark(findings, "shifted", false, "",
                   json_sprintf("%s is shifted against its neighbours", name));
    }
}

static json_t *findings_of(const struct where *q, const struct where_tile *t)
{
    json_t *list = json_array();
    if (!t->count)
        say_no_texture(q, list);
    else
        say_state(q, list);
    say_frames(q, t, list);
    return list;
}

static json_t *describe(const struct where *q, const struct where_tile *t)
{
    json_t *o = cmd_result(q->c);
    json_object_set_new(o, "stack", json_text(cmd_operand(q->c, 0)));
    json_object_set_new(o, "x_px", json_integer(q->asked.x));
    json_object_set_new(o, "y_px", json_integer(q->asked.y));
    json_object_set_new(o, "as_stored", json_boolean(cmd_flag(q->c, "as-stored")));
    json_object_set_new(o, "in", json_text(q->j->rows[q->in].files[0].name));
    json_object_set_new(o, "first_frame_x_px", json_integer((int)floor(q->x)));
    json_object_set_new(o, "first_frame_y_px", json_integer((int)floor(q->y)));
    json_object_set_new(o, "width_px", json_integer(q->located.map.width_px));
    json_object_set_new(o, "height_px", json_integer(q->located.map.height_px));
    json_object_set_new(o, "tile_px", json_integer(q->located.map.tile_px));
    json_object_set_new(o, "orientation", json_integer(q->located.map.orientation));
    json_object_set_new(o, "files", files_json(q, t));
    json_object_set_new(o, "also_sharp", others_json(q, t));
    json_object_set_new(o, "focus_frame", json_rounded(t->peak, 2));
    json_object_set_new(o, "focus_position_mm", position_json(q->j, t->peak));
    json_object_set_new(o, "confidence", t->count ? json_rounded(t->confidence, 2) : json_null());
    json_object_set_new(o, "findings", findings_of(q, t));
    return o;
}

/* ---- the same in lines */

static void print_file(FILE *out, const json_t *r, const json_t *f)
{
    const bool stored = json_is_true(json_object_get(r, "as_stored"));
    const double share = json_get_number(f, "sharpness"), mm = json_get_number(f, "position_mm");
    fprintf(out, "  slice %-4.0f", json_get_number(f, "slice"));
    if (!isnan(share)) fprintf(out, " %3.0f %%", 100 * share);
    fprintf(out, "  at %.0f,%.0f", json_get_number(f, stored ? "stored_x_px" : "x_px"),
            json_get_number(f, stored ? "stored_y_px" : "y_px"));
    if (!isnan(mm)) fprintf(out, "  %.3f mm", mm);
    fprintf(out, "  %s\n", json_get_text(f, "file"));
    if (*json_get_text(f, "handover"))
        fprintf(out, "             handed over as %s\n", json_get_text(f, "handover"));
    else
        fputs("             not handed over\n", out);
}

static void print_list(FILE *out, const json_t *r, const char *key, const char *above)
{
    size_t i;
    json_t *f;
    const json_t *list = json_object_get(r, key);
    if (json_array_size(list)) fprintf(out, "%s\n", above);
    json_array_foreach (list, i, f)
        print_file(out, r, f);
}

static void text(FILE *out, const json_t *r)
{
    const int orientation = (int)json_get_number(r, "orientation");
    const bool stored = json_is_true(json_object_get(r, "as_stored"));
    fprintf(out, "%.0f,%.0f of %s%s\n", json_get_number(r, "x_px"), json_get_number(r, "y_px"),
            json_get_text(r, "in"), stored ? ", as stored" : "");
    print_list(out, r, "files", "sharpest in:");
    print_list(out, r, "also_sharp", "something else there, nearer or farther, is sharp in:");
    if (!isnan(json_get_number(r, "focus_position_mm")))
        fprintf(out, "in focus at %.3f mm\n", json_get_number(r, "focus_position_mm"));
    cmd_print_findings(out, r);
    if (turned(orientation) && !stored)
        fprintf(
            out,
            "places are those of the pictures as viewers show them, %s; --as-stored takes and gives those of "
            "the stored pixels\n",
            turned_words(orientation));
}

/* ---- the verb */

static int answer(struct where *q, struct store *store, struct err *why)
{
    int rc = locate_new(store, q->j, &q->located, why);
    if (rc) return rc;
    q->w = q->j->measures[0].width_px;
    q->h = q->j->measures[0].height_px;
    rc = find_frame(q, why);
    if (!rc) rc = put_into_first(q, why);
    if (!rc) {
        const struct where_tile *t = where_at(&q->located.map, q->x, q->y);
        cmd_print(q->c, describe(q, t), text);
        rc = t->count ? 0 : 1;
    }
    locate_clear(&q->located);
    return rc;
}

static int run(struct cmd *c, struct err *why)
{
    struct store *store;
    struct judgement j;
    struct where q = {.c = c, .j = &j};
    int rc = read_place(cmd_operand(c, 1), &q.asked, why);
    if (!rc) rc = store_open(cmd_operand(c, 0), true, &store, why);
    if (rc) return rc;
    rc = judge_stack(store, &(struct judge_opts){.files_may_be_away = true}, &j, why);
    if (!rc) {
        rc = answer(&q, store, why);
        judgement_clear(&j);
    }
    store_close(store);
    return rc;
}

static const struct option_row options[] = {
    {"in", "FILE", "X,Y are pixels of this file of the stack or its hand-over; default: of the first frame"},
    {"as-stored", NULL, "places are those of the stored pixels, where pictures are shown turned"},
    {NULL, NULL, NULL},
};

const struct verb verb_where = {
    .name = "where",
    .operands = "STACK X,Y",
    .least = 2,
    .most = 2,
    .summary = "name the sharpest files at a place, to retouch from",
    .about =
        "Names the three files in which that place is sharpest, and where it lies in each of them: the "
        "frames\n"
        "to paint from when a merged picture is retouched. X,Y are pixels of the stack's first frame from "
        "the\n"
        "upper left, as viewers show it (turned, where it says that it is to be); with --in, of the file "
        "that\n"
        "is named, be it in the stack or handed over (a handed-over file is a copy of the stack's, so its\n"
        "pixels are the same; of a raw, the pixels of the picture it was measured by). What is said holds "
        "for\n"
        "the tile around the place. The measures in derived/ are enough, the frames may be away. Ends with "
        "1\n"
        "when nothing there has texture.",
    .options = options,
    .run = run,
};
