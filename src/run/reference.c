#include "run/reference.h"

#include <stdio.h>
#include <string.h>

#include "config/config.h"
#include "image/decode.h"
#include "run/naming.h"
#include "store/reference.h"

/* The exposure of the stack's own job, so that a grey card is lit as the subject was. */
static int64_t exposure_of_stack(const struct stack_info *info)
{
    struct job job = {0};
    int64_t us = 0;
    if (!info->job_text || job_parse(info->job_text, "the stack's job", &job, NULL)) return 0;
    us = job.exposure_us;
    job_clear(&job);
    return us;
}

static int keep(struct store *st, const struct exposure_row *row, const struct camera_shot *shot,
                const char *what, struct reference_kept *out, struct err *why)
{
    char name[64], room[12];
    int32_t before;
    struct image_facts facts;
    int rc = store_exposure_seen(st, row->id, shot->objects[0].name, shot->byte_counts[0], why);
    if (!rc) rc = reference_count(st, what, &before, why);
    for (int32_t i = 0; !rc && i < shot->count; i++) {
        rc = reference_name(what, before + 1, frame_ending(&shot->objects[i], room), name, sizeof name, why);
        if (!rc)
            rc = store_put_frame(st, name, shot->bytes[i], (size_t)shot->byte_counts[i], &out->files[i], why);
        if (!rc && !image_read_facts(name, shot->bytes[i], (size_t)shot->byte_counts[i], &facts, NULL))
            file_row_tell(&out->files[i], &facts);
        if (!rc)
            snprintf(out->files[i].object_name, sizeof out->files[i].object_name, "%s",
                     shot->objects[i].name);
        out->count = i + 1;
    }
    if (!rc) rc = store_exposure_kept(st, row->id, out->files, out->count, why);
    return rc ? rc : store_add_event(st, shot->at_wall_us, "reference", what, out->files[0].name, why);
}

int reference_shoot_into(struct camera_session *s, struct store *st, const struct stack_info *info,
                         const char *what, struct reference_kept *out, struct err *why)
{
    struct camera_shot shot;
    struct err inner;
    struct exposure_row row = {.purpose = PURPOSE_REFERENCE,
                               .plan_id = STACK_NONE,
                               .nonce = STACK_NONE,
                               .fire_seq = STACK_NONE,
                               .camera_epoch = STACK_NONE,
                               .reached_counts = STACK_NONE,
                               .settle_us = STACK_NONE,
                               .triggered_at_us = sched_wall_us(s->rig->sched),
                               .exposure_us = s->job_given ? 0 : exposure_of_stack(info)};
    if (!row.exposure_us) row.exposure_us = s->job.job.exposure_us;
    int rc = store_exposure_begin(st, &row, why);
    if (rc) return rc;
    rc = camera_session_shoot(s, row.exposure_us, exposure_token(stack_mark(info), &row), &shot, why);
    if (rc) {
        store_exposure_end(st, row.id, EXPOSURE_LOST, "the reference frame failed", NULL, 0, &inner);
        return rc;
    }
    rc = keep(st, &row, &shot, what, out, why);
    camera_shot_clear(&shot);
    return rc;
}

int reference_shoot(struct camera_session *s, const char *stack_dir, const char *what,
                    struct reference_kept *out, struct err *why)
{
    struct store *st;
    struct stack_info info = {0};
    struct reference_kept kept = {0};
    int rc = store_open(stack_dir, false, &st, why);
    if (rc) return rc;
    rc = store_info(st, &info, why);
    if (!rc) rc = reference_shoot_into(s, st, &info, what, &kept, why);
    stack_info_clear(&info);
    store_close(st);
    if (!rc) *out = kept;
    return rc;
}
