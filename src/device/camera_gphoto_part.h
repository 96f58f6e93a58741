/* camera_gphoto_part.h - what camera_gphoto.c (the contract, and the program that is asked), gphoto_hear.c
 * (what that program says by itself, and what becomes of it) and gphoto_card.c (what the camera holds) share.
 * Nobody else includes it. */
#ifndef STADDLE_DEVICE_CAMERA_GPHOTO_PART_H
#define STADDLE_DEVICE_CAMERA_GPHOTO_PART_H

#include <sys/types.h>

#include "device/camera_gphoto.h"
#include "device/camera_wire.h"

#define EVENTS_MOST   32
#define FILES_MOST    8 /* of one frame */
#define ANSWER_US     10000000
#define AFTERWARDS_US 1500000 /* after one of which nobody tells (guess) */
#define HUNG_US       3000000 /* how long a program that was silent before is waited for once more */

struct camera_gphoto {
    struct camera base;
    struct camera_gphoto_opts opts;
    char port[PATH_ROOM], program[PATH_ROOM], model[NAME_ROOM];
    struct camera_settings settings;
    bool is_set, listed, gone;
    int lock;
    pid_t pid;
    struct camera_wire wire;
    int restarts;
    int64_t epoch;
    uint64_t exposing, fetching; /* tokens; 0: none */
    struct camera_object wanted; /* by the transfer */
    sched_id watchdog;
    bool driving, battery_empty;
    sched_id lens_watchdog;
    char **known; /* paths on the card that belong to no exposure of ours, or to a past one */
    size_t known_count, known_room;
    uint64_t recounted;                     /* the token whose files these are */
    struct camera_object found[FILES_MOST]; /* of the last token; those told of come first */
    int32_t found_count, told_count;
    struct err doubt; /* why the exposure under way may not tell any more; code 0: it was made */
    struct camera_event events[EVENTS_MOST];
    int event_first, event_count;
};

/* gphoto_hear.c */
int64_t gphoto_exposing_us(const struct camera_gphoto *c);
void gphoto_push(struct camera_gphoto *c, const struct camera_event *ev);
void gphoto_rest(struct camera_gphoto *c);
void gphoto_lens_rests(struct camera_gphoto *c);
void gphoto_lens_lost(struct camera_gphoto *c, const struct err *why);
void gphoto_push_gone(struct camera_gphoto *c, const struct err *why);
void gphoto_push_unfetched(struct camera_gphoto *c, const struct err *why);
enum file_role gphoto_role_of(const char *path);
int gphoto_remember(struct camera_gphoto *c, const char *path, struct err *why);
void gphoto_forget_known(struct camera_gphoto *c);
bool gphoto_is_known(const struct camera_gphoto *c, const char *path);
void gphoto_ask_afterwards(struct camera_gphoto *c, const struct err *why, int64_t after_us);
void gphoto_hear(struct camera_gphoto *c, struct camera_message *m);

/* gphoto_card.c */
int gphoto_arm(struct camera *, struct err *);
int gphoto_recount(struct camera *, uint64_t token, int32_t *objects_out, struct err *);
int gphoto_held(struct camera *, uint64_t token, struct camera_object *out, int32_t most, int32_t *count_out,
                struct err *);
/* Of an exposure of which nobody tells any more the card is asked; a sched_fn. */
void gphoto_afterwards(void *arg);

/* camera_gphoto.c: the program is ended and started anew. */
int gphoto_replace(struct camera_gphoto *, const struct err *reason, struct err *);

/* What it holds for an exposure is gone with the link, and its names come again after it. */
static inline bool gphoto_uses_ram(const struct camera_gphoto *c)
{
    return c->opts.spec->target == TARGET_RAM;
}

#endif
