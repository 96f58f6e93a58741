/* camera_folder_part.h - what camera_folder.c (the contract, and when it looks) and folder_choose.c (which
 * file is whose frame) share. Nobody else includes it. */
#ifndef STADDLE_DEVICE_CAMERA_FOLDER_PART_H
#define STADDLE_DEVICE_CAMERA_FOLDER_PART_H

#include "device/camera_folder.h"
#include "device/folder_list.h"
#include "device/folder_look.h"

#define QUIET_US    300000 /* nothing has changed in a file for so long: our choice */
#define NO_TIME     INT64_MIN
#define EVENTS_MOST 16

struct camera_folder {
    struct camera base;
    struct camera_folder_opts opts;
    struct folder_watch *watch;
    struct folder_list list;
    struct folder_look *look; /* decodes, on a thread of its own */
    uint64_t token;           /* waited for; 0: none */
    int64_t asked_us, first_whole_us;
    sched_id late, think; /* the end of patience; the next look, */
    int64_t think_us;     /* and when that is */
    uint64_t remembered;  /* of an earlier run */
    struct camera_memory memory;
    char memory_name[256];
    /* the last frame: when it was first seen, by its own clock, and its pixels in short */
    int64_t came_us, captured_us;
    uint64_t picture;
    char last_name[256];
    int64_t new_captured_us; /* of what comes now */
    uint64_t new_picture;
    char fetching[256];
    uint64_t fetching_token;
    bool gone, told_size, told_other;
    struct camera_event events[EVENTS_MOST];
    int event_first, event_count;
};

/* ---- camera_folder.c */
int64_t folder_now_us(const struct camera_folder *);
void folder_push(struct camera_folder *, const struct camera_event *);
/* For the person at once, and for the record. */
void folder_remark(struct camera_folder *, const char *format, ...) __attribute__((format(printf, 2, 3)));
/* The trigger that is waited for has FAILED. */
void folder_give_up(struct camera_folder *, enum errc, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
void folder_stop_waiting(struct camera_folder *); /* what came and is no frame is left alone */

/* ---- folder_choose.c */
struct folder_coming {
    struct folder_file *first, *other; /* of the first stem, and of another one */
    struct folder_file *bad;
    bool all_whole;
};
struct folder_coming folder_what_comes(struct camera_folder *);
void folder_tell_strays(struct camera_folder *); /* what came while nothing was waited for */
void folder_check_new(struct camera_folder *);   /* looks into what may be whole by now */
void folder_looked_at(struct camera_folder *, struct folder_file *, const struct folder_seen *);
void folder_decide(struct camera_folder *); /* the one place where it is decided what becomes of the files */

#endif
