/* settings.c - every setting of the camera under the library's name for it: its tree of widgets, flattened.
 * Which of them is the shutter's, and what a word means, is not decided here (device/trade.c). */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "camera/inside.h"
#include "device/told.h"

#define DEPTH_MOST 4

static json_t *row_of(CameraWidget *w, const char *name, enum told_kind kind, const char *is)
{
    int fixed = 0;
    gp_widget_get_readonly(w, &fixed);
    return json_pack("{s:s, s:s, s:b, s:s}", "name", name, "kind", told_kind_word(kind), "fixed", fixed, "is",
                     is);
}

static json_t *of_text(CameraWidget *w, const char *name, enum told_kind kind)
{
    const char *is = NULL, *can;
    if (gp_widget_get_value(w, &is) < 0) return NULL;
    json_t *row = row_of(w, name, kind, is ? is : "");
    if (!row || kind != TOLD_CHOICE) return row;
    json_t *list = json_array();
    for (int i = 0; i < gp_widget_count_choices(w); i++)
        if (gp_widget_get_choice(w, i, &can) == GP_OK) json_array_append_new(list, json_string(can));
    json_object_set_new(row, "can", list);
    return row;
}

static json_t *of_whole(CameraWidget *w, const char *name, enum told_kind kind)
{
    int value = 0;
    char is[24];
    if (gp_widget_get_value(w, &value) < 0) return NULL;
    snprintf(is, sizeof is, "%d",
             kind == TOLD_SWITCH ? value == 1 : value); /* a switch may say 2: not known */
    return row_of(w, name, kind, is);
}

static json_t *of_range(CameraWidget *w, const char *name)
{
    float value = 0, least = 0, most = 0, step = 0;
    char is[24];
    if (gp_widget_get_value(w, &value) < 0) return NULL;
    gp_widget_get_range(w, &least, &most, &step);
    snprintf(is, sizeof is, "%g", (double)value);
    json_t *row = row_of(w, name, TOLD_RANGE, is);
    if (row) json_object_set_new(row, "least", json_real((double)least));
    if (row) json_object_set_new(row, "most", json_real((double)most));
    return row;
}

static void add(json_t *rows, CameraWidget *w)
{
    CameraWidgetType type;
    const char *name = NULL;
    json_t *row = NULL;
    if (gp_widget_get_type(w, &type) < 0 || gp_widget_get_name(w, &name) < 0 || !name || !*name) return;
    switch (type) {
    case GP_WIDGET_TEXT:
        row = of_text(w, name, TOLD_TEXT);
        break;
    case GP_WIDGET_RADIO:
    case GP_WIDGET_MENU:
        row = of_text(w, name, TOLD_CHOICE);
        break;
    case GP_WIDGET_RANGE:
        row = of_range(w, name);
        break;
    case GP_WIDGET_TOGGLE:
        row = of_whole(w, name, TOLD_SWITCH);
        break;
    case GP_WIDGET_DATE:
        row = of_whole(w, name, TOLD_DATE);
        break;
    default:
        break;
    }
    if (row) json_array_append_new(rows, row);
}

/* Sections, and what is in them; a place in each of the levels is kept in a row. */
static void flatten(CameraWidget *top, json_t *rows)
{
    CameraWidget *at[DEPTH_MOST] = {top};
    int next[DEPTH_MOST] = {0}, depth = 0;
    while (depth >= 0) {
        CameraWidget *child;
        if (next[depth] >= gp_widget_count_children(at[depth])) {
            depth--;
            continue;
        }
        if (gp_widget_get_child(at[depth], next[depth]++, &child) < 0) continue;
        add(rows, child);
        if (gp_widget_count_children(child) > 0 && depth + 1 < DEPTH_MOST) {
            at[++depth] = child;
            next[depth] = 0;
        }
    }
}

/* What a camera lists has no name in the tree, but asked for by name it comes. */
static void add_unnamed(struct body *b, json_t *rows, const char *name)
{
    size_t i;
    json_t *row;
    CameraWidget *w;
    json_array_foreach (rows, i, row)
        if (!strcmp(json_string_value(json_object_get(row, "name")), name)) return;
    if (body_get_widget(b, name, &w) != GP_OK) return;
    gp_widget_set_name(w, name);
    add(rows, w);
    gp_widget_free(w);
}

static void add_space(struct body *b, json_t *out)
{
    CameraStorageInformation *cards = NULL;
    int count = 0;
    int64_t kb = 0, frames = 0;
    bool kb_known = false, frames_known = false;
    if (gp_camera_get_storageinfo(b->camera, &cards, &count, b->context) < 0) return;
    for (int i = 0; i < count; i++) {
        if (cards[i].fields & GP_STORAGEINFO_FREESPACEKBYTES) {
            kb_known = true;
            kb += (int64_t)cards[i].freekbytes;
        }
        if ((cards[i].fields & GP_STORAGEINFO_FREESPACEIMAGES) &&
            cards[i].freeimages != (uint64_t)0xFFFFFFFF) {
            frames_known = true;
            frames += (int64_t)cards[i].freeimages;
        }
    }
    free(cards);
    if (kb_known) json_object_set_new(out, "free_kb", json_integer(kb));
    if (frames_known) json_object_set_new(out, "free_frames", json_integer(frames));
}

int body_tell(struct body *b, json_t *out, struct err *why)
{
    CameraWidget *tree = NULL;
    struct body_facts facts = {0};
    json_t *rows = json_array();
    json_object_set_new(out, "settings", rows);
    b->said[0] = '\0';
    const int rc = gp_camera_get_config(b->camera, &tree, b->context);
    if (rc < 0) return body_refused(b, rc, "asking for its settings", why);
    flatten(tree, rows);
    gp_widget_free(tree);
    add_unnamed(b, rows, "batterylevel");
    add_space(b, out);
    body_describe(b, &facts);
    json_object_set_new(out, "model", json_string(facts.model));
    return E_OK;
}

int body_turn(struct body *b, const char *setting, const char *word, struct err *why)
{
    CameraWidget *w;
    CameraWidgetType type = GP_WIDGET_TEXT;
    if (body_get_widget(b, setting, &w) != GP_OK)
        return fail(why, E_UNSUPPORTED, "camera: it has no setting %.60s", setting);
    gp_widget_get_type(w, &type);
    const int whole = atoi(word);
    const float real = strtof(word, NULL);
    const void *value = type == GP_WIDGET_RANGE                              ? (const void *)&real
                        : type == GP_WIDGET_TOGGLE || type == GP_WIDGET_DATE ? (const void *)&whole
                                                                             : word;
    const int rc = body_put_widget(b, setting, w, value);
    gp_widget_free(w);
    return rc < 0 ? body_refused(b, rc, setting, why) : E_OK;
}
