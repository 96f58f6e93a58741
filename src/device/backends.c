#include "device/backends.h"

#include <stdio.h>
#include <string.h>

#include "device/axis_hand.h"
#include "device/axis_lens.h"
#include "device/axis_rail.h"
#include "device/camera_cable.h"
#include "device/camera_folder.h"
#include "device/camera_gphoto.h"
#include "device/link_mem.h"
#include "device/link_pty.h"
#include "device/link_serial.h"
#include "plan/slices.h"

#define LIST_ROOM 128

static int open_camera_sim(const struct backend_env *env, struct camera **out, struct err *why)
{
    if (!env->camera_sim) return fail(why, E_STATE, "camera: no simulated world to photograph here");
    return camera_sim_open(env->camera_sim, out, why);
}

static int open_camera_folder(const struct backend_env *env, struct camera **out, struct err *why)
{
    const struct camera_folder_opts opts = {
        .spec = &env->bench->camera, .sched = env->sched, .person = env->person, .eyes = env->eyes};
    return camera_folder_open(&opts, out, why);
}

static int open_camera_tethered(const struct backend_env *env, struct camera **out, struct err *why)
{
    const struct camera_gphoto_opts opts = {
        .sched = env->sched, .spec = &env->bench->camera, .port = env->bench->camera.port};
    return camera_gphoto_open(&opts, out, why);
}

static int open_camera_cable(const struct backend_env *env, struct camera **out, struct err *why)
{
    if (!env->axis)
        return fail(
            why, E_UNSUPPORTED,
            "camera: one on a cable is fired by the rail's controller, and shows nothing; press its own "
            "release, or shoot a stack");
    const struct camera_cable_opts opts = {
        .sched = env->sched, .spec = &env->bench->camera, .axis = env->axis};
    return camera_cable_open(&opts, out, why);
}

static int open_link_mem(const struct backend_env *env, struct link **out, struct err *why)
{
    if (!env->controller) return fail(why, E_STATE, "rail: no simulated controller to talk to here");
    struct link_mem_opts opts = {.latency_us = env->link_latency_us};
    *out = link_mem_open(env->sched, env->controller, &opts, why);
    return *out ? E_OK : E_NOMEM;
}

static int open_link_pty(const struct backend_env *env, struct link **out, struct err *why)
{
    return link_pty_open(env->sched, env->bench->axis.link, out, why);
}

static int open_link_serial(const struct backend_env *env, struct link **out, struct err *why)
{
    return link_serial_open(env->sched, env->bench->axis.link, env->bench->axis.baud, out, why);
}

static const struct link_backend links[] = {
    {"simulated", true, open_link_mem},
    {"pseudo-terminal", false, open_link_pty},
    {"serial port", false, open_link_serial},
};

/* Also once more, after the line was lost: `arg` is a struct backend_env. */
static int open_link(void *arg, struct link **out, struct err *why)
{
    const struct backend_env *env = arg;
    const struct link_backend *row;
    struct link *link;
    int rc = backend_link(env->bench->axis.link, &row, why);
    if (!rc) rc = row->open(env, &link, why);
    if (rc) return rc;
    if (env->wrap_link) link = env->wrap_link(env->wrap_arg, env->sched, link);
    if (!link) return fail(why, E_IO, "rail: there is no such port; is the cable in?");
    *out = link;
    return E_OK;
}

static int open_axis_rail(struct backend_env *env, struct axis **out, struct err *why)
{
    const struct link_backend *row;
    struct link *link;
    int rc = backend_link(env->bench->axis.link, &row, why);
    if (!rc) rc = open_link(env, &link, why);
    if (rc) return rc;
    struct axis_rail_opts opts = {.port = row->simulated ? "the simulated rail" : env->bench->axis.link,
                                  .baud = env->bench->axis.baud,
                                  .speed_counts_per_s = env->speed_counts_per_s,
                                  .accel_counts_per_s2 = env->accel_counts_per_s2,
                                  .start_counts_per_s = env->start_counts_per_s,
                                  .smooth_ms = env->smooth_ms,
                                  .reopen = open_link,
                                  .reopen_arg = env};
    return axis_rail_open(env->sched, link, &opts, out, why);
}

static int open_axis_hand(struct backend_env *env, struct axis **out, struct err *why)
{
    const struct axis_spec *a = &env->bench->axis;
    struct axis_hand_opts opts = {.marks_per_turn = a->steps_per_rev,
                                  .counts_per_mark = a->microsteps,
                                  .take_up_counts = env->take_up_counts,
                                  .asks_surely = env->asks_surely,
                                  .frame_answers = env->frame_answers,
                                  .person = env->person};
    slices_count_length(a, &opts.nm_per_count_num, &opts.nm_per_count_den);
    return axis_hand_open(env->sched, &opts, out, why);
}

static int open_axis_lens(struct backend_env *env, struct axis **out, struct err *why)
{
    const struct axis_spec *a = &env->bench->axis;
    if (!env->camera) return fail(why, E_STATE, "lens: no camera to drive it by");
    const struct axis_lens_opts opts = {.camera = env->camera,
                                        .worth = {1, a->size_counts[0], a->size_counts[1]},
                                        .doubt = {0, a->size_doubt[0], a->size_doubt[1]},
                                        .rest_us = a->rest_us};
    return axis_lens_open(env->sched, &opts, out, why);
}

static const struct camera_backend cameras[] = {
    {"simulated", true, false, open_camera_sim},
    {"folder", false, false, open_camera_folder},
    {"tethered", false, false, open_camera_tethered},
    {"cable", false, true, open_camera_cable},
};

static const struct axis_backend axes[] = {
    {"rail", open_axis_rail},
    {"hand", open_axis_hand},
    {"lens", open_axis_lens},
};

#define COUNT(rows) (sizeof(rows) / sizeof *(rows))

static void list(char out[LIST_ROOM], const char *kind)
{
    size_t used = strlen(out);
    snprintf(out + used, LIST_ROOM - used, "%s%s", used ? ", " : "", kind);
}

int backend_camera(const char *kind, const struct camera_backend **out, struct err *why)
{
    char known[LIST_ROOM] = "";
    for (size_t i = 0; i < COUNT(cameras); i++) {
        list(known, cameras[i].kind);
        if (strcmp(cameras[i].kind, kind) != 0) continue;
        *out = &cameras[i];
        return E_OK;
    }
    return fail(why, E_UNSUPPORTED, "camera.kind %s: there is no such camera yet; use one of: %s", kind,
                known);
}

int backend_axis(const char *kind, const struct axis_backend **out, struct err *why)
{
    char known[LIST_ROOM] = "";
    for (size_t i = 0; i < COUNT(axes); i++) {
        list(known, axes[i].kind);
        if (strcmp(axes[i].kind, kind) != 0) continue;
        *out = &axes[i];
        return E_OK;
    }
    return fail(why, E_UNSUPPORTED, "axis.kind %s: there is no such axis yet; use one of: %s", kind, known);
}

int backend_link(const char *kind, const struct link_backend **out, struct err *why)
{
    if (!strcmp(kind, "simulated"))
        *out = &links[0];
    else if (!strchr(kind, '/'))
        return fail(why, E_UNSUPPORTED,
                    "axis.link %s: there is no such link; use simulated, or the path of a port", kind);
    else
        *out = link_pty_is(kind) ? &links[1] : &links[2];
    return E_OK;
}
