/* gphoto_card.c - what the camera holds: what was on its card before is no frame of ours; and where nobody
 * tells what became of an exposure, what is new there. */
#include <stdio.h>
#include <string.h>

#include "device/camera_ask.h"
#include "device/camera_gphoto_part.h"

#define LIST_US 60000000

static int ask_list(struct camera_gphoto *c, int64_t most_us, struct camera_message *out, struct err *why)
{
    return camera_gphoto_ask(&c->base, json_pack("{s:s}", "do", "list"), most_us, out, why);
}

int gphoto_arm(struct camera *camera, struct err *why)
{
    struct camera_gphoto *c = (struct camera_gphoto *)camera;
    struct camera_message m = {0};
    size_t i;
    json_t *path;
    if (!c->is_set) return fail(why, E_STATE, "%s: no exposure time is set", c->base.ops->name);
    if (c->listed) return E_OK; /* what came since is ours */
    int rc = ask_list(c, LIST_US, &m, why);
    if (rc) return rc;
    gphoto_forget_known(c);
    json_array_foreach (json_object_get(m.body, "files"), i, path)
        if (!rc) rc = gphoto_remember(c, json_string_value(path), why);
    camera_message_clear(&m);
    c->listed = !rc;
    return rc;
}

static bool is_listed(const json_t *files, const char *path)
{
    size_t i;
    json_t *file;
    json_array_foreach (files, i, file)
        if (json_is_string(file) && !strcmp(json_string_value(file), path)) return true;
    return false;
}

/* Of those told of, the ones that are still there, and those that nobody told of. */
static void find_new(struct camera_gphoto *c, const json_t *files)
{
    size_t i;
    json_t *file;
    int32_t told = c->found_count;
    c->found_count = 0;
    for (int32_t k = 0; k < told; k++)
        if (is_listed(files, c->found[k].name)) c->found[c->found_count++] = c->found[k];
    told = c->told_count = c->found_count;
    json_array_foreach (files, i, file) {
        const char *path = json_string_value(file);
        if (!path || gphoto_is_known(c, path) || c->found_count == FILES_MOST ||
            strlen(path) >= sizeof c->found->name)
            continue;
        struct camera_object *o = &c->found[c->found_count++];
        *o = (struct camera_object){.role = gphoto_role_of(path)};
        snprintf(o->name, sizeof o->name, "%s", path);
    }
    for (int32_t k = told; k < c->found_count; k++)
        gphoto_remember(c, c->found[k].name, NULL);
}

static void find_sizes(struct camera_gphoto *c)
{
    struct camera_message m = {0};
    for (int32_t k = 0; k < c->found_count; k++) {
        json_t *order = json_pack("{s:s, s:s}", "do", "size", "path", c->found[k].name);
        if (camera_gphoto_ask(&c->base, order, ANSWER_US, &m, NULL)) continue;
        c->found[k].bytes = camera_whole(m.body, "bytes");
        camera_message_clear(&m);
    }
}

int gphoto_recount(struct camera *camera, uint64_t token, int32_t *objects_out, struct err *why)
{
    struct camera_gphoto *c = (struct camera_gphoto *)camera;
    struct camera_message m = {0};
    struct err hung;
    *objects_out = -1;
    if (token != c->base.last_token) return E_OK; /* of another run: nothing here tells whose a file is */
    gphoto_rest(c);
    int rc = ask_list(c, c->exposing ? HUNG_US : LIST_US, &m, &hung);
    if (rc) {
        if ((rc = gphoto_replace(c, &hung, why)) || (rc = ask_list(c, LIST_US, &m, why))) return rc;
    }
    c->exposing = 0;
    c->found_count = gphoto_uses_ram(c) ? 0 : c->found_count; /* gone, and the card is not asked about it */
    if (!gphoto_uses_ram(c)) find_new(c, json_object_get(m.body, "files"));
    camera_message_clear(&m);
    find_sizes(c);
    c->recounted = token;
    *objects_out = c->found_count;
    return E_OK;
}

void gphoto_afterwards(void *arg)
{
    struct camera_gphoto *c = arg;
    const uint64_t token = c->exposing;
    struct camera_event ev = {.kind = CAMERA_FAILED, .token = token, .why = c->doubt};
    int32_t count;
    c->watchdog = 0;
    if (!token || gphoto_recount(&c->base, token, &count, NULL)) return; /* gone: that was told */
    for (int32_t k = c->told_count; k < c->found_count; k++)
        gphoto_push(c, &(struct camera_event){.kind = CAMERA_OBJECT, .token = token, .object = c->found[k]});
    if (count > 0 || !c->doubt.code || gphoto_uses_ram(c))
        ev = (struct camera_event){.kind = CAMERA_COMPLETE, .token = token};
    gphoto_push(c, &ev);
}

int gphoto_held(struct camera *camera, uint64_t token, struct camera_object *out, int32_t most,
                int32_t *count_out, struct err *why)
{
    const struct camera_gphoto *c = (struct camera_gphoto *)camera;
    int32_t count;
    int rc = token == c->recounted ? E_OK : gphoto_recount(camera, token, &count, why);
    if (rc || token != c->recounted) return rc; /* -1: cannot tell */
    *count_out = c->found_count < most ? c->found_count : most;
    memcpy(out, c->found, (size_t)*count_out * sizeof *out);
    return E_OK;
}
