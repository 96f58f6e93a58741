/* Which file is whose frame: the rules of camera_folder.h. */
#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "device/camera_folder_part.h"
#include "store/store.h"

/* All of them our choice, no source. */
#define UNCLOSED_US                                                                                          \
    2000000 /* as QUIET_US where nobody has said that it was closed: a card reader, a network */
#define BROKEN_US    5000000   /* still no whole picture, and nothing changes any more */
#define MATE_US      10000000  /* the raw is there, and its JPEG is not, or the other way round */
#define DOUBLE_US    1000000   /* after a frame is seen: a second one in that time makes it none */
#define CLOCK_US     1000000   /* of a camera that writes whole seconds */
#define FRACTION_US  100000    /* of one that writes parts of them */
#define CLOCK_SET_US 600000000 /* farther back than that, somebody has set the camera's clock */

/* ---- what came while nothing was waited for */

void folder_tell_strays(struct camera_folder *c)
{
    for (int32_t i = 0; i < c->list.count; i++) {
        struct folder_file *f = &c->list.files[i];
        if (f->use != FILE_NEW) continue;
        f->use = FILE_PAST;
        if (f->told || f->again || !store_picture_by_name(f->name)) continue; /* again: its program tags it */
        f->told = true;
        folder_remark(c, "%.80s came while no frame was waited for; it is left where it is", f->name);
    }
}

/* ---- what came for the frame that is waited for */

static bool is_mate_of_last(const struct camera_folder *c, const struct folder_file *f)
{
    for (int32_t i = 0; i < c->list.count; i++)
        if (!f->again && c->list.files[i].use == FILE_TAKEN &&
            folder_same_stem(c->list.files[i].name, f->name) && strcmp(c->list.files[i].name, f->name) != 0)
            return true;
    return false;
}

/* A file that was here before and was written to once more. A program that writes every frame to one name
 * comes again with the name of the frame before; anything else is an old picture that somebody touched. */
static bool is_touched(const struct camera_folder *c, const struct folder_file *f)
{
    return f->again && !folder_same_stem(f->name, c->last_name);
}

static void set_aside(struct camera_folder *c, struct folder_file *f)
{
    if (is_touched(c, f)) {
        f->use = FILE_PAST;
        folder_remark(c, "%.80s was here before and has been written to; it is no frame of this run",
                      f->name);
    } else if (!store_picture_by_name(f->name)) {
        f->use = FILE_PAST;
        if (!c->told_other)
            folder_remark(c, "%.80s is no picture by its name; such files are left alone", f->name);
        c->told_other = true;
    } else {
        f->use = FILE_PAST;
        folder_remark(
            c,
            "%.80s came after its frame was taken; it is left where it is (camera.raw_and_jpeg waits for "
            "both)",
            f->name);
    }
}

static bool at_rest(const struct camera_folder *c, const struct folder_file *f)
{
    const bool by_itself =
        store_role_by_name(f->name) == FILE_JPEG; /* its content tells whether it is whole */
    const int64_t still = folder_now_us(c) - f->changed_us;
    return !f->open && f->bytes > 0 && still >= (f->closed || by_itself ? QUIET_US : UNCLOSED_US);
}

static void check(struct camera_folder *c, struct folder_file *f)
{
    struct err why;
    if (f->whole != WHOLE_UNKNOWN || !at_rest(c, f) || folder_look_busy(c->look)) return;
    if (folder_look_start(c->look, f->name, &why))
        folder_give_up(c, why.code, "%s", why.text);
    else
        f->whole = WHOLE_ASKED;
}

void folder_check_new(struct camera_folder *c)
{
    for (int32_t i = 0; i < c->list.count && c->token; i++)
        if (c->list.files[i].use == FILE_NEW && store_picture_by_name(c->list.files[i].name))
            check(c, &c->list.files[i]);
}

/* Taken before it was asked for, by the camera's own clock? The frame before was exposed before it came here,
 * so between the two lies at least the time from then to the asking. */
static bool is_too_old(const struct camera_folder *c, const struct folder_file *f,
                       const struct folder_seen *s)
{
    if (s->captured_us == NO_TIME || c->captured_us == NO_TIME) return false;
    const int64_t since_us = s->captured_us - c->captured_us;
    const bool fraction = s->captured_us % 1000000 || c->captured_us % 1000000;
    const int64_t least_us = c->asked_us - c->came_us - (fraction ? FRACTION_US : CLOCK_US);
    return since_us > -CLOCK_SET_US && (since_us < least_us || (f->again && since_us <= 0));
}

static bool refuse(struct camera_folder *c, struct folder_file *f, const struct folder_seen *s)
{
    if (c->picture && s->picture == c->picture) {
        f->use = FILE_PAST;
        if (strcmp(f->name, c->last_name) != 0)
            folder_remark(c, "%.80s is the picture of the frame before once more; it is left where it is",
                          f->name);
        return true;
    }
    if (!is_too_old(c, f, s)) return false;
    f->use = FILE_PAST;
    folder_remark(
        c, "%.80s was taken before it was asked for, by the camera's own clock; it is left where it is",
        f->name);
    return true;
}

static void say_size(struct camera_folder *c, const struct folder_file *f, const struct folder_seen *s)
{
    const struct camera_spec *spec = c->opts.spec;
    const bool turned = s->width_px == spec->height_px && s->height_px == spec->width_px;
    const bool same = s->width_px == spec->width_px && s->height_px == spec->height_px;
    if (same || turned || s->reduced || c->told_size) return;
    c->told_size = true;
    folder_remark(c, "%.80s has %d x %d pixels, and the bench file says %d x %d", f->name, (int)s->width_px,
                  (int)s->height_px, (int)spec->width_px, (int)spec->height_px);
}

void folder_looked_at(struct camera_folder *c, struct folder_file *f, const struct folder_seen *s)
{
    if (f->use != FILE_NEW || f->whole != WHOLE_ASKED) return; /* changed meanwhile, or not waited for */
    f->whole = s->why.code ? WHOLE_NO : WHOLE_YES;
    f->bad = s->why;
    if (f->whole == WHOLE_NO || refuse(c, f, s)) return;
    say_size(c, f, s);
    if (!c->first_whole_us) c->first_whole_us = folder_now_us(c);
    c->new_captured_us = s->captured_us;
    c->new_picture = s->picture;
    folder_look_keep(c->look);
}

static bool has_both(const struct camera_folder *c, const char *name)
{
    bool raw = false, other = false;
    for (int32_t i = 0; i < c->list.count; i++) {
        const struct folder_file *f = &c->list.files[i];
        if (f->use != FILE_NEW || !folder_same_stem(f->name, name)) continue;
        if (store_role_by_name(f->name) == FILE_RAW)
            raw = true;
        else
            other = true;
    }
    return raw && other;
}

static void hand_out(struct camera_folder *c, struct folder_file *first)
{
    const uint64_t token = c->token;
    int64_t came_us = first->came_us;
    int given = 0;
    for (int32_t i = 0; i < c->list.count; i++) {
        struct folder_file *f = &c->list.files[i];
        if (f->use != FILE_NEW || !folder_same_stem(f->name, first->name) || given == FRAME_FILES_MOST)
            continue;
        struct camera_event ev = {.kind = CAMERA_OBJECT, .token = token};
        ev.object.role = store_role_by_name(f->name);
        ev.object.bytes = f->bytes;
        snprintf(ev.object.name, sizeof ev.object.name, "%.*s", (int)sizeof ev.object.name - 1, f->name);
        f->use = FILE_TAKEN;
        f->token = token;
        if (f->came_us < came_us) came_us = f->came_us;
        given++;
        folder_push(c, &ev);
    }
    c->captured_us = c->new_captured_us;
    c->picture = c->new_picture;
    snprintf(c->last_name, sizeof c->last_name, "%s", first->name);
    c->came_us = came_us;
    folder_stop_waiting(c);
    folder_push(c, &(struct camera_event){.kind = CAMERA_COMPLETE, .token = token});
}

struct folder_coming folder_what_comes(struct camera_folder *c)
{
    struct folder_coming w = {.all_whole = true};
    for (int32_t i = 0; i < c->list.count; i++) {
        struct folder_file *f = &c->list.files[i];
        if (f->use == FILE_NEW && is_touched(c, f)) {
            set_aside(c, f);
            continue;
        }
        if (f->use == FILE_NEW && f->bytes > 0 &&
            (!store_picture_by_name(f->name) || is_mate_of_last(c, f))) {
            if (at_rest(c, f)) set_aside(c, f);
            continue;
        }
        if (f->use != FILE_NEW) continue;
        if (!w.first) w.first = f;
        if (!folder_same_stem(w.first->name, f->name)) w.other = f;
        if (f->whole == WHOLE_NO && folder_now_us(c) - f->changed_us >= BROKEN_US) w.bad = f;
        w.all_whole = w.all_whole && f->whole == WHOLE_YES;
    }
    return w;
}

void folder_decide(struct camera_folder *c)
{
    const struct folder_coming w = folder_what_comes(c);
    const bool both = c->opts.spec->raw_and_jpeg;
    if (w.bad)
        folder_give_up(c, E_INPUT, "%.80s came, and is no whole picture: %.250s", w.bad->name,
                       w.bad->bad.text);
    else if (w.other && c->first_whole_us)
        folder_give_up(
            c, E_INPUT,
            "two frames came for one, %.80s and %.80s, and nobody can say which is the right one; take one",
            w.first->name, w.other->name);
    else if (w.first && folder_now_us(c) - w.first->came_us < DOUBLE_US)
        return;
    else if (w.first && w.all_whole && (!both || has_both(c, w.first->name)))
        hand_out(c, w.first);
    else if (w.first && w.all_whole && folder_now_us(c) - c->first_whole_us >= MATE_US) {
        folder_remark(c, "%.80s came without its %s", w.first->name,
                      store_role_by_name(w.first->name) == FILE_RAW ? "JPEG" : "raw");
        hand_out(c, w.first);
    }
}
