#include "cmd_camera_shoot.h"

#include <string.h>

#include "base/fs.h"
#include "base/json.h"
#include "run/naming.h"
#include "run/reference.h"
#include "store/reference.h"
#include "store/store.h"

#define TOKEN_BITS ((UINT64_C(1) << CAMERA_TOKEN_OWN_BITS) - 1)

static const char *role_word(enum file_role role)
{
    static const char *const words[] = {"jpeg", "raw", "other"};
    return words[role];
}

/* ---- before anything is opened */

static int check_stack(const char *dir, struct err *why)
{
    struct store *st;
    int rc = store_open(dir, true, &st, why);
    if (!rc) store_close(st);
    return rc;
}

int cmd_camera_shoot_check(struct cmd *c, bool shoots, struct err *why)
{
    const char *to = cmd_text(c, "to"), *as = cmd_text(c, "as"), *stack = cmd_text(c, "stack"), *word;
    if (!shoots && (to || as || stack))
        return fail(why, E_INPUT, "--to, --as and --stack are for camera shoot");
    if (shoots && cmd_text(c, "preview")) return fail(why, E_INPUT, "--preview is for camera show");
    if (!shoots) return E_OK;
    if (cmd_operand_count(c) > 2) return fail(why, E_INPUT, "camera shoot takes one file");
    if ((as != NULL) != (stack != NULL))
        return fail(why, E_INPUT,
                    "a reference frame needs both: --as ruler|grey|empty|lampoff|quiet --stack DIR");
    if ((to != NULL) == (as != NULL))
        return fail(why, E_INPUT, "camera shoot needs --to FILE, or --as WHAT --stack DIR; one of the two");
    if (!as) return E_OK;
    int rc = reference_word(as, &word, why);
    return rc ? rc : check_stack(stack, why);
}

/* ---- to a file */

static void add_file(json_t *files, const char *path, int64_t bytes, enum file_role role)
{
    json_array_append_new(files, json_pack("{s:o, s:I, s:s}", "path", json_text(path), "bytes",
                                           (json_int_t)bytes, "role", role_word(role)));
}

/* The name as given, with the ending that the file's content asks for. */
static int path_of(const char *to, const char *ending, char dir[PATH_ROOM], char name[PATH_ROOM],
                   struct err *why)
{
    const char *slash = strrchr(to, '/'), *base = slash ? slash + 1 : to, *dot = strrchr(base, '.');
    const int stem = dot && dot != base ? (int)(dot - base) : (int)strlen(base);
    const int n = snprintf(dir, PATH_ROOM, "%.*s", slash > to ? (int)(slash - to) : 1, slash ? to : ".");
    const int m = snprintf(name, PATH_ROOM, "%.*s.%s", stem, base, ending);
    return *base && n < PATH_ROOM && m < PATH_ROOM
               ? E_OK
               : fail(why, E_INPUT, "--to %.80s: give the name of a file", to);
}

static int put_all(const struct camera_shot *shot, const char *to, json_t *files, struct err *why)
{
    char dir[PATH_ROOM], name[PATH_ROOM], path[PATH_ROOM], room[12];
    int rc = E_OK;
    for (int32_t i = 0; !rc && i < shot->count; i++) {
        rc = path_of(to, frame_ending(&shot->objects[i], room), dir, name, why);
        if (!rc) rc = fs_put(dir, name, shot->bytes[i], (size_t)shot->byte_counts[i], 0644, why);
        if (!rc && strcmp(dir, ".") != 0) rc = fs_join(path, sizeof path, dir, name, why);
        if (!rc) add_file(files, strcmp(dir, ".") ? path : name, shot->byte_counts[i], shot->objects[i].role);
    }
    return rc;
}

static int shoot_to(struct camera_session *s, const char *to, json_t *out, struct err *why)
{
    struct camera_shot shot;
    if (fs_exists(to)) return fail(why, E_INPUT, "%s: exists already; name a new file", to);
    const uint64_t token = ((uint64_t)sched_wall_us(s->rig->sched) & TOKEN_BITS) | 1;
    int rc = camera_session_shoot(s, 0, token, &shot, why);
    if (rc) return rc;
    json_t *files = json_array();
    rc = put_all(&shot, to, files, why);
    json_object_set_new(out, "exposure_s", json_real((double)shot.exposure_us / 1e6));
    json_object_set_new(out, "files", files);
    camera_shot_clear(&shot);
    return rc;
}

/* ---- into a stack */

static int shoot_as(struct camera_session *s, const char *as, const char *stack, json_t *out, struct err *why)
{
    struct reference_kept kept;
    const char *what;
    int rc = reference_word(as, &what, why);
    if (!rc) rc = reference_shoot(s, stack, what, &kept, why);
    if (rc) return rc;
    json_t *files = json_array();
    for (int32_t i = 0; i < kept.count; i++)
        add_file(files, kept.files[i].name, kept.files[i].bytes, kept.files[i].role);
    json_object_set_new(out, "as", json_text(what));
    json_object_set_new(out, "stack", json_text(stack));
    json_object_set_new(out, "files", files);
    return E_OK;
}

int cmd_camera_shoot(struct cmd *c, struct camera_session *s, json_t *out, struct err *why)
{
    const char *as = cmd_text(c, "as");
    json_object_set_new(out, "simulated", json_boolean(s->rig->world != NULL));
    return as ? shoot_as(s, as, cmd_text(c, "stack"), out, why) : shoot_to(s, cmd_text(c, "to"), out, why);
}
