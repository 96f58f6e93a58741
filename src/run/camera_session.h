/* camera_session.h - the camera alone, without an axis: what `camera` does by hand at the bench.
 *
 *    open -> ask, turn, preview, shoot (each waits until it is over) -> close
 *
 * Nothing fires on opening. What shoot fires is one frame. */
#ifndef STADDLE_RUN_CAMERA_SESSION_H
#define STADDLE_RUN_CAMERA_SESSION_H

#include "run/shoot.h"

struct camera_session_opts {
    const char *path;       /* a bench file, or a job file that names one */
    const char *bench_path; /* a job's bench, instead of the one it names; may be NULL */
    bool virtual_clock;
    struct rig_opts rig; /* tests: times, faults, wrappers; the rest is filled in */
};

struct camera_session {
    struct rig *rig;
    struct shoot_job job; /* made up where none was given */
    bool job_given;
};

int camera_session_open(const struct camera_session_opts *, struct camera_session **out, struct err *);
void camera_session_close(struct camera_session *); /* NULL is fine */

/* Is the file a job, and no bench file? Read by its keys alone. */
int camera_session_is_job(const char *path, bool *out, struct err *);

/* One frame: its files, as the camera gave them. */
struct camera_shot {
    struct camera_object objects[FRAME_FILES_MOST];
    uint8_t *bytes[FRAME_FILES_MOST]; /* owned */
    int64_t byte_counts[FRAME_FILES_MOST];
    int32_t count;
    int64_t at_wall_us, exposure_us;
    uint64_t token;
};

/* exposure_us 0: the job's. `token` is this exposure's, and never one that was used before. */
int camera_session_shoot(struct camera_session *, int64_t exposure_us, uint64_t token,
                         struct camera_shot *out, struct err *);
void camera_shot_clear(struct camera_shot *);

#endif
