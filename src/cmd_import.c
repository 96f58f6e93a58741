/* cmd_import.c - staddle import FOLDER */
#include <limits.h>
#include <string.h>

#include "base/json.h"
#include "base/sched.h"
#include "cmd.h"
#include "cmd_import.h"
#include "store/evening.h"
#include "store/folder.h"
#include "store/import.h"
#include "store/words.h"

static int read_order(const struct cmd *c, enum stack_order *out, struct err *why)
{
    const char *text = cmd_text(c, "order");
    const int v = text ? word_find(WORD_ORDER, text) : ORDER_UNKNOWN;
    if (v < 0) return fail(why, E_INPUT, "--order %s: give near-first, far-first or unknown", text);
    *out = (enum stack_order)v;
    return E_OK;
}

static int now(int64_t *wall_us, struct err *why)
{
    struct sched *clock = sched_new_real(why);
    if (!clock) return E_NOMEM;
    *wall_us = sched_wall_us(clock);
    sched_free(clock);
    return E_OK;
}

static json_t *skipped_json(const struct import_list *l)
{
    json_t *rows = json_array();
    for (int32_t i = 0; i < l->skipped_count; i++)
        json_array_append_new(rows, json_pack("{s:o, s:s}", "name", json_text(l->skipped[i].name), "reason",
                                              l->skipped[i].why));
    return rows;
}

static int32_t count_files(const struct import_list *l)
{
    int32_t n = 0;
    for (int32_t i = 0; i < l->count; i++)
        n += l->frames[i].file_count;
    return n;
}

static json_t *describe(const struct cmd *c, const struct import_list *l, const char *dir,
                        enum stack_order order)
{
    json_t *out = cmd_result(c);
    json_object_set_new(out, "stack", json_text(dir));
    json_object_set_new(out, "frames", json_integer(l->count));
    json_object_set_new(out, "files", json_integer(count_files(l)));
    json_object_set_new(out, "width_px", json_integer(l->width_px));
    json_object_set_new(out, "height_px", json_integer(l->height_px));
    json_object_set_new(out, "order", json_text(word_of(WORD_ORDER, (int)order)));
    json_object_set_new(out, "ordered_by", json_text(l->by_time ? "capture time" : "name"));
    json_object_set_new(out, "first", json_text(l->frames[0].files[0].name));
    json_object_set_new(out, "last", json_text(l->frames[l->count - 1].files[0].name));
    json_object_set_new(out, "quiet_frame", l->quiet_given ? json_text(l->quiet.name) : json_null());
    json_object_set_new(out, "skipped", skipped_json(l));
    return out;
}

static void text(FILE *out, const json_t *r)
{
    const double frames = json_get_number(r, "frames"), files = json_get_number(r, "files");
    fprintf(out, "%s: %.0f frame%s in %.0f file%s, %.0f x %.0f pixels\n", json_get_text(r, "stack"), frames,
            frames > 1 ? "s" : "", files, files > 1 ? "s" : "", json_get_number(r, "width_px"),
            json_get_number(r, "height_px"));
    fprintf(out, "ordered by %s, from %s to %s; ", json_get_text(r, "ordered_by"), json_get_text(r, "first"),
            json_get_text(r, "last"));
    const char *order = json_get_text(r, "order");
    if (!strcmp(order, "unknown"))
        fputs("which end is near is not known (--order says it)\n", out);
    else
        fprintf(out, "shot %s\n", strcmp(order, "near-first") ? "from far to near" : "from near to far");
    if (json_is_string(json_object_get(r, "quiet_frame")))
        fprintf(out, "%s is kept beside them, as the frame taken when all was still\n",
                json_get_text(r, "quiet_frame"));
    size_t i;
    json_t *row;
    json_array_foreach (json_object_get(r, "skipped"), i, row)
        fprintf(out, "left out: %s (%s)\n", json_get_text(row, "name"), json_get_text(row, "reason"));
}

static int make(const struct cmd *c, const struct import_list *l, enum stack_order order, struct err *why)
{
    char dir[PATH_MAX];
    struct stack_info info = {.kind = STACK_IMPORTED, .order = order};
    int rc = now(&info.created_wall_us, why);
    if (rc) return rc;
    info.utc_offset_s = evening_utc_offset_s(info.created_wall_us);
    folder_base_name(l->folder, info.name, sizeof info.name);
    if (cmd_text(c, "stack"))
        snprintf(dir, sizeof dir, "%s", cmd_text(c, "stack"));
    else
        rc = evening_next_stack("", info.created_wall_us, info.utc_offset_s, dir, sizeof dir, why);
    if (!rc) rc = import_make(l, dir, &info, why);
    if (!rc) cmd_print(c, describe(c, l, dir, order), text);
    return rc;
}

static int run(struct cmd *c, struct err *why)
{
    struct import_list list;
    enum stack_order order;
    if (cmd_text(c, "pair") && cmd_text(c, "quiet-frame"))
        return fail(why, E_INPUT, "--quiet-frame: makes a new stack; leave --pair out");
    if (cmd_text(c, "pair")) return cmd_import_pair(c, why);
    if (cmd_text(c, "first")) return fail(why, E_INPUT, "--first: goes with --pair STACK");
    int rc = read_order(c, &order, why);
    if (!rc) rc = import_scan(cmd_operand(c, 0), &list, why);
    if (rc) return rc;
    if (cmd_text(c, "quiet-frame")) rc = import_quiet(&list, cmd_text(c, "quiet-frame"), why);
    if (!rc) rc = make(c, &list, order, why);
    import_list_clear(&list);
    return rc;
}

static const struct option_row options[] = {
    {"order", "WHICH", "near-first, far-first or unknown (the default): how the frames were shot"},
    {"pair", "STACK", "bring the frames of a card to that stack, which was fired over a cable, or its raws"},
    {"first", "FILE", "with --pair, where it is in doubt: the file that the first exposure gave"},
    {"quiet-frame", "FILE", "a frame of the same set taken when all was still: check compares with it"},
    {"stack", "DIR", "make the stack folder there; default: the next number in tonight's folder"},
    {NULL, NULL, NULL},
};

const struct verb verb_import = {
    .name = "import",
    .operands = "FOLDER",
    .least = 1,
    .most = 1,
    .summary = "make a stack of frames that were shot elsewhere",
    .about =
        "Copies the pictures in FOLDER into a stack folder of their own; the originals are only read. A raw\n"
        "file and its JPEG of the same name are one frame. Frames go in the order of their capture times, "
        "or\n"
        "of their names where some do not tell a time. Files that are no pictures by their names are left "
        "out\n"
        "and listed. --quiet-frame keeps one more beside them, in the folder or elsewhere, with which check\n"
        "compares their sharpness.\n"
        "\n"
        "With --pair the pictures in FOLDER come to the exposures of a stack whose camera keeps its files "
        "on\n"
        "its card: by order and time, whatever the camera's clock shows. Frames that are missing or belong "
        "to\n"
        "none are named; where it is in doubt, nothing is changed. Status 1 when frames are missing.",
    .options = options,
    .run = run,
};
