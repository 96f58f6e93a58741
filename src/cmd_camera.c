/* cmd_camera.c - `staddle camera ACTION FILE`: the camera alone, by the trade's names for its settings. */
#include "cmd_camera.h"

#include <string.h>

#include "base/fs.h"
#include "base/json.h"
#include "base/mem.h"
#include "cmd.h"
#include "cmd_camera_ready.h"
#include "cmd_camera_shoot.h"
#include "device/trade.h"
#include "run/camera_session.h"
#include "run/wishes.h"

static const struct option_row options[] = {
    {"preview", "FILE", "show: write what the camera sees now into this JPEG"},
    {"to", "FILE", "shoot: where the frame goes; a raw beside a JPEG goes next to it"},
    {"as", "WHAT", "shoot: a reference frame kept with --stack: ruler, grey, empty, lampoff or quiet"},
    {"stack", "DIR", "shoot --as: the stack that it belongs to"},
    {NULL, NULL, NULL},
};

/* ---- show */

static int put_file(const char *path, const void *bytes, int64_t count, struct err *why)
{
    const char *slash = strrchr(path, '/');
    char dir[PATH_ROOM];
    if ((size_t)snprintf(dir, sizeof dir, "%.*s", slash ? (int)(slash - path) : 1, slash ? path : ".") >=
        sizeof dir)
        return fail(why, E_INPUT, "%.100s...: too long", path);
    if (slash == path) strcpy(dir, "/");
    return fs_put(dir, slash ? slash + 1 : path, bytes, (size_t)count, 0644, why);
}

static int preview(struct camera_session *s, const char *to, json_t *out, struct err *why)
{
    uint8_t *jpeg = NULL;
    int64_t count = 0;
    if (fs_exists(to)) return fail(why, E_INPUT, "%s: exists already; name a new file", to);
    int rc = camera_preview(s->rig->camera, &jpeg, &count, why);
    if (!rc) rc = put_file(to, jpeg, count, why);
    mem_free(jpeg);
    if (!rc) json_object_set_new(out, "preview", json_text(to));
    return rc;
}

static int describe(struct camera_session *s, json_t *out, struct err *why)
{
    struct told told;
    int rc = camera_tell(s->rig->camera, &told, why);
    if (rc) return rc;
    json_object_set_new(out, "simulated", json_boolean(s->rig->world != NULL));
    cmd_camera_describe(out, &told);
    told_clear(&told);
    return E_OK;
}

static int show(struct cmd *c, struct camera_session *s, json_t *out, struct err *why)
{
    const char *to = cmd_text(c, "preview");
    if (cmd_operand_count(c) > 2) return fail(why, E_INPUT, "camera show takes one file");
    int rc = describe(s, out, why);
    return rc || !to ? rc : preview(s, to, out, why);
}

/* ---- set */

struct wish {
    const char *wanted;
    enum trade trade;
    bool is_so; /* already */
    told_word setting, word;
};

#define WISHES_MOST 16

/* All are checked before the first is set: bad input changes nothing. */
static int check_wish(const struct told *told, const char *text, struct wish *w, struct err *why)
{
    const char *equals = strchr(text, '=');
    if (!equals || !equals[1]) return fail(why, E_INPUT, "%s: write NAME=VALUE, e.g. shutter=1/60", text);
    w->wanted = equals + 1;
    int rc = trade_of_name(text, (size_t)(equals - text), &w->trade, why);
    if (rc) return rc;
    const struct told_setting *row = trade_find(told, w->trade);
    if (!row)
        return fail(why, E_UNSUPPORTED, "%s: this camera does not let it be known; set it by hand",
                    trade_name(w->trade));
    snprintf(w->setting, sizeof w->setting, "%s", row->name);
    rc = trade_choose(row, w->trade, w->wanted, w->word, why);
    w->is_so = !rc && !strcmp(row->is, w->word);
    return rc;
}

/* What it says afterwards is what counts: some bodies take a value and keep the old one. */
static int check_set(const struct told *told, const struct wish *w, json_t *list, struct err *why)
{
    told_word said;
    const struct told_setting *row = told_find(told, w->setting);
    trade_say(w->trade, row ? row->is : "", said);
    if (!row || strcmp(row->is, w->word) != 0)
        return fail(why, E_STATE, "%s=%s: the camera took it and is at %s all the same; look at its dial",
                    trade_name(w->trade), w->wanted, said);
    json_array_append_new(list, json_pack("{s:s, s:o}", "name", trade_name(w->trade), "is", json_text(said)));
    return E_OK;
}

static int set(struct cmd *c, struct camera_session *s, json_t *out, struct err *why)
{
    struct wish wishes[WISHES_MOST];
    struct told told;
    const int count = cmd_operand_count(c) - 2;
    if (count < 1 || count > WISHES_MOST)
        return fail(why, E_INPUT, "camera set needs NAME=VALUE, e.g. shutter=1/60 iso=100");
    int rc = camera_tell(s->rig->camera, &told, why);
    if (rc) return rc;
    for (int i = 0; !rc && i < count; i++)
        rc = check_wish(&told, cmd_operand(c, 2 + i), &wishes[i], why);
    told_clear(&told);
    for (int i = 0; !rc && i < count; i++)
        if (!wishes[i].is_so) rc = camera_turn(s->rig->camera, wishes[i].setting, wishes[i].word, why);
    if (!rc) rc = camera_tell(s->rig->camera, &told, why);
    if (rc) return rc;
    json_t *list = json_array();
    for (int i = 0; !rc && i < count; i++)
        rc = check_set(&told, &wishes[i], list, why);
    json_object_set_new(out, "set", list);
    json_object_set_new(out, "simulated", json_boolean(s->rig->world != NULL));
    cmd_camera_describe(out, &told);
    told_clear(&told);
    return rc;
}

/* ---- the verb */

static const struct {
    const char *name;
    int (*run)(struct cmd *, struct camera_session *, json_t *out, struct err *);
    void (*text)(FILE *, const json_t *);
} actions[] = {
    {"show", show, cmd_camera_text},
    {"set", set, cmd_camera_text},
    {"shoot", cmd_camera_shoot, cmd_camera_text_shot},
    {"ready", cmd_camera_ready, cmd_camera_text_ready},
};

static int run(struct cmd *c, struct err *why)
{
    struct camera_session *s;
    size_t a = 0;
    while (a < sizeof actions / sizeof *actions && strcmp(actions[a].name, cmd_operand(c, 0)) != 0)
        a++;
    if (a == sizeof actions / sizeof *actions)
        return fail(why, E_INPUT, "camera %s: no such action; use show, set, ready or shoot",
                    cmd_operand(c, 0));
    int rc = cmd_camera_shoot_check(c, actions[a].run == cmd_camera_shoot, why);
    if (!rc) rc = wishes_listen(why);
    if (rc) return rc;
    const struct camera_session_opts o = {.path = cmd_operand(c, 1),
                                          .bench_path = cmd_text(c, "bench"),
                                          .rig.scene_later = actions[a].run != cmd_camera_shoot};
    json_t *out = cmd_result(c);
    json_object_set_new(out, "action", json_text(actions[a].name));
    rc = camera_session_open(&o, &s, why);
    if (!rc) {
        rc = actions[a].run(c, s, out, why);
        camera_session_close(s);
    }
    wishes_ignore();
    if (rc) {
        json_decref(out);
        return rc;
    }
    const bool all = cmd_verbose(c) && actions[a].text == cmd_camera_text;
    const bool spoils = json_is_false(json_object_get(out, "ready"));
    cmd_print(c, out, all ? cmd_camera_text_verbose : actions[a].text);
    return spoils ? err_exit_status(E_STATE) : 0;
}

const struct verb verb_camera = {
    .name = "camera",
    .operands = "ACTION FILE [NAME=VALUE...]",
    .least = 2,
    .most = -1,
    .summary = "the camera alone: its settings, and one frame",
    .about =
        "FILE is a bench file, or a job file that names one. Actions:\n"
        "  show                       model, battery, space, and every setting with what it can be;\n"
        "                             with --verbose all that the camera tells, in its own words\n"
        "  set FILE NAME=VALUE...     shutter=1/60 aperture=5.6 iso=100 white-balance=daylight format=raw\n"
        "                             drive=single focus=manual delay=on; all are checked before one is set\n"
        "  ready                      is it set as a stack needs it, and does it last for the job? Status 4\n"
        "                             where frames would differ from each other\n"
        "  shoot FILE --to PICTURE    one frame, outside any stack\n"
        "  shoot FILE --as WHAT --stack DIR\n"
        "                             a reference frame, kept with the stack and handed over with it, in a\n"
        "                             folder of its own: ruler, grey, empty (the set without the subject),\n"
        "                             lampoff (what stray light there is), quiet (the set focused on its "
        "middle,\n"
        "                             when nothing has moved for long: check compares its sharpness)\n"
        "Nothing fires but by shoot. Works for the simulated camera, too.",
    .options = options,
    .run = run,
};
