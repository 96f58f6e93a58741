#include "device/camera.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

const char *camera_name(const struct camera *c)
{
    return c->ops->name;
}

unsigned camera_caps(const struct camera *c)
{
    return c->ops->caps;
}

const char *camera_gone_advice(const struct camera *c, char *room, size_t size)
{
    if (!c->low_battery[0]) return "check its cable and battery";
    snprintf(room, size, "its battery was at %s: put a full one in", c->low_battery);
    return room;
}

static int check_there(const struct camera *c, struct err *why)
{
    char advice[128];
    if (!c->gone) return E_OK;
    return fail(why, E_IO, "%s: the camera is gone; %s", c->ops->name,
                camera_gone_advice(c, advice, sizeof advice));
}

static int check_idle(const struct camera *c, const char *verb, struct err *why)
{
    int rc = check_there(c, why);
    if (rc) return rc;
    if (c->exposing) return fail(why, E_STATE, "%s: cannot %s during an exposure", c->ops->name, verb);
    if (c->transferring) return fail(why, E_STATE, "%s: cannot %s during a transfer", c->ops->name, verb);
    return E_OK;
}

int camera_describe(struct camera *c, struct camera_facts *out, struct err *why)
{
    int rc = check_there(c, why);
    return rc ? rc : c->ops->describe(c, out, why);
}

int camera_set(struct camera *c, const struct camera_settings *s, struct err *why)
{
    int rc = check_idle(c, "change settings", why);
    if (rc) return rc;
    if (s->exposure_us <= 0)
        return fail(why, E_INPUT, "%s: the exposure time must be positive", c->ops->name);
    if (!isfinite(s->f_number) || s->f_number < 0 || !isfinite(s->iso) || s->iso < 0)
        return fail(why, E_INPUT, "%s: f-number and ISO must be positive, or 0 to leave them", c->ops->name);
    return c->ops->set(c, s, why);
}

int camera_arm(struct camera *c, struct err *why)
{
    int rc = check_idle(c, "arm", why);
    if (!rc) rc = c->ops->arm(c, why);
    if (!rc) c->armed = true;
    return rc;
}

int camera_trigger(struct camera *c, uint64_t token, struct err *why)
{
    int rc = check_idle(c, "fire", why);
    if (rc) return rc;
    if (!c->armed) return fail(why, E_STATE, "%s: fired before it was armed", c->ops->name);
    if (token == 0 || token == c->last_token)
        return fail(why, E_STATE, "%s: fired twice for one exposure", c->ops->name);
    c->last_token = token;
    rc = c->ops->trigger(c, token, why);
    if (!rc) c->exposing = true;
    return rc;
}

int camera_next_event(struct camera *c, struct camera_event *out, struct err *why)
{
    memset(out, 0, sizeof *out);
    int rc = c->ops->next_event(c, out, why);
    if (rc) return rc;
    if (out->kind == CAMERA_COMPLETE || out->kind == CAMERA_FAILED) c->exposing = false;
    if (out->kind == CAMERA_FETCHED) c->transferring = false;
    if (out->kind == CAMERA_GONE) c->gone = true;
    return E_OK;
}

int camera_fetch(struct camera *c, uint64_t token, const struct camera_object *o, struct err *why)
{
    int rc = check_idle(c, "transfer", why);
    if (!rc) rc = c->ops->fetch(c, token, o, why);
    if (!rc) c->transferring = true;
    return rc;
}

int camera_recount(struct camera *c, uint64_t token, int32_t *objects_out, struct err *why)
{
    int rc = check_there(c, why);
    if (rc) return rc;
    if (token == c->last_token) c->exposing = false;
    *objects_out = -1;
    if (!(c->ops->caps & (CAMERA_RECOUNTS | CAMERA_KEEPS_FILES))) return E_OK;
    return c->ops->recount(c, token, objects_out, why);
}

int camera_held(struct camera *c, uint64_t token, struct camera_object *out, int32_t most, int32_t *count_out,
                struct err *why)
{
    int rc = check_there(c, why);
    *count_out = -1;
    return rc || !c->ops->held ? rc : c->ops->held(c, token, out, most, count_out, why);
}

int camera_preview(struct camera *c, uint8_t **jpeg_out, int64_t *bytes_out, struct err *why)
{
    int rc = check_idle(c, "preview", why);
    if (rc) return rc;
    if (!c->ops->preview) return fail(why, E_UNSUPPORTED, "%s: has no live picture", c->ops->name);
    return c->ops->preview(c, jpeg_out, bytes_out, why);
}

void camera_remind(struct camera *c, uint64_t token, const struct camera_memory *m)
{
    if (!c->gone && c->ops->remind) c->ops->remind(c, token, m);
}

int camera_again(struct camera *c, struct err *why)
{
    if (!c->ops->again)
        return fail(why, E_UNSUPPORTED, "%s: cannot be reached again while it is open", c->ops->name);
    int rc = c->ops->again(c, why);
    if (!rc) c->armed = c->exposing = c->transferring = c->gone = false;
    return rc;
}

int camera_lens(struct camera *c, struct lens_kind *out, struct err *why)
{
    *out = (struct lens_kind){0};
    int rc = check_there(c, why);
    if (!rc && c->ops->lens) rc = c->ops->lens(c, out, why);
    if (rc || out->order_most > 0) return rc;
    return fail(why, E_UNSUPPORTED, "%s: its lens cannot be driven; use a rail, or turn it by hand",
                c->ops->name);
}

int camera_drive(struct camera *c, int32_t order, struct err *why)
{
    int rc = check_there(c, why);
    if (rc) return rc;
    if (!c->ops->drive) return fail(why, E_UNSUPPORTED, "%s: its lens cannot be driven", c->ops->name);
    if (c->exposing && !(c->ops->caps & CAMERA_SAYS_EXPOSED))
        return fail(why, E_STATE, "%s: its lens is to stand still while it exposes; wait", c->ops->name);
    return c->ops->drive(c, order, why);
}

int camera_tell(struct camera *c, struct told *out, struct err *why)
{
    int rc = check_idle(c, "be asked", why);
    if (rc) return rc;
    if (!c->ops->tell) return fail(why, E_UNSUPPORTED, "%s: tells nothing of its settings", c->ops->name);
    return c->ops->tell(c, out, why);
}

int camera_turn(struct camera *c, const char *setting, const char *word, struct err *why)
{
    int rc = check_idle(c, "change settings", why);
    if (rc) return rc;
    if (!c->ops->turn) return fail(why, E_UNSUPPORTED, "%s: set it by hand", c->ops->name);
    return c->ops->turn(c, setting, word, why);
}

void camera_close(struct camera *c)
{
    if (c) c->ops->close(c);
}
