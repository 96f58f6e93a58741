#include "run/camera_session.h"

#include <stdio.h>
#include <string.h>

#include "base/fs.h"
#include "base/mem.h"
#include "run/session.h"

#define FILE_MOST   ((size_t)1 << 20) /* of a hand-written file; our choice */
#define PATIENCE_US 30000000          /* for the camera's next word, beyond the exposure; our choice */
#define TRIES       3                 /* of one transfer */

/* ---- opening */

/* A bench file has a section 'camera', which no job has. */
int camera_session_is_job(const char *path, bool *out, struct err *why)
{
    uint8_t *text;
    size_t count;
    int rc = fs_read(path, FILE_MOST, &text, &count, why);
    if (rc) return rc;
    const char *at = (const char *)text;
    *out = true;
    while (at) {
        if (!strncmp(at, "camera", 6) && at[6 + strspn(at + 6, " ")] == ':') *out = false;
        at = strchr(at, '\n');
        if (at) at++;
    }
    mem_free(text);
    return E_OK;
}

int camera_session_open(const struct camera_session_opts *o, struct camera_session **out, struct err *why)
{
    struct camera_session *s = mem_new(1, sizeof *s, why);
    if (!s) return E_NOMEM;
    int rc = camera_session_is_job(o->path, &s->job_given, why);
    if (!rc)
        rc = s->job_given ? session_read_job(o->path, o->bench_path, &s->job, why)
                          : session_read_bench(o->path, &s->job, why);
    struct rig_opts rig = o->rig;
    rig.no_axis = true;
    if (!rc) rc = session_open_rig(&rig, &s->job, o->virtual_clock, &s->rig, why);
    if (rc) {
        camera_session_close(s);
        return rc;
    }
    *out = s;
    return E_OK;
}

void camera_session_close(struct camera_session *s)
{
    if (!s) return;
    bench_close(s->rig);
    shoot_job_clear(&s->job);
    mem_free(s);
}

/* ---- one frame */

void camera_shot_clear(struct camera_shot *shot)
{
    for (int32_t i = 0; i < shot->count; i++)
        mem_free(shot->bytes[i]);
    *shot = (struct camera_shot){0};
}

/* The next thing that the camera says; remarks are let go. */
static int next_event(struct rig *r, int64_t until_us, struct camera_event *out, struct err *why)
{
    struct rig_event ev;
    for (;;) {
        bench_wait(r, until_us, &ev);
        if (ev.kind == RIG_DEADLINE)
            return fail(why, E_TIMEOUT, "%s: it fell silent; look at its display, then try again",
                        camera_name(r->camera));
        if (ev.kind == RIG_WISH) return fail(why, E_PAUSED, "stopped");
        if (ev.kind != RIG_CAMERA || ev.camera.kind == CAMERA_REMARK) continue;
        *out = ev.camera;
        if (out->kind != CAMERA_GONE && out->kind != CAMERA_FAILED) return E_OK;
        if (why) *why = out->why;
        return out->why.code ? out->why.code
                             : fail(why, E_IO, "%s: the frame failed", camera_name(r->camera));
    }
}

static int expose(struct rig *r, struct camera_shot *shot, struct err *why)
{
    struct camera_event ev;
    const int64_t until_us = sched_now_us(r->sched) + shot->exposure_us + PATIENCE_US;
    int rc = camera_trigger(r->camera, shot->token, why);
    for (;;) {
        if (!rc) rc = next_event(r, until_us, &ev, why);
        if (rc) return rc;
        if (ev.kind == CAMERA_COMPLETE) break;
        if (ev.kind == CAMERA_OBJECT && shot->count < FRAME_FILES_MOST)
            shot->objects[shot->count++] = ev.object;
    }
    return shot->count ? E_OK : fail(why, E_IO, "%s: it exposed and kept nothing", camera_name(r->camera));
}

static int fetch(struct rig *r, struct camera_shot *shot, int32_t i, struct err *why)
{
    struct camera_event ev;
    int rc = E_OK;
    for (int tries = 0; tries < TRIES; tries++) {
        rc = camera_fetch(r->camera, shot->token, &shot->objects[i], why);
        while (!rc && !(rc = next_event(r, sched_now_us(r->sched) + PATIENCE_US, &ev, why)))
            if (ev.kind == CAMERA_FETCHED) break;
        if (rc) return rc;
        if (!ev.why.code) {
            shot->objects[i] = ev.object;
            shot->bytes[i] = ev.bytes;
            shot->byte_counts[i] = ev.byte_count;
            return E_OK;
        }
        rc = fail(why, ev.why.code, "%s", ev.why.text);
    }
    return rc;
}

int camera_session_shoot(struct camera_session *s, int64_t exposure_us, uint64_t token,
                         struct camera_shot *out, struct err *why)
{
    struct rig *r = s->rig;
    struct camera_shot shot = {.exposure_us = exposure_us ? exposure_us : s->job.job.exposure_us,
                               .token = token};
    const struct camera_settings set = {.exposure_us = shot.exposure_us,
                                        .flash = s->job.bench.light.kind == LIGHT_FLASH};
    int rc = camera_set(r->camera, &set, why);
    if (!rc) rc = camera_arm(r->camera, why);
    shot.at_wall_us = sched_wall_us(r->sched);
    if (!rc) rc = expose(r, &shot, why);
    for (int32_t i = 0; !rc && i < shot.count; i++)
        rc = fetch(r, &shot, i, why);
    if (rc)
        camera_shot_clear(&shot);
    else
        *out = shot;
    return rc;
}
