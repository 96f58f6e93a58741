#include "device/backends.h"

#include <stdio.h>
#include <string.h>

#include "device/axis_rail.h"
#include "device/link_mem.h"

#define LIST_ROOM 128

static int open_camera_sim(const struct backend_env *env, struct camera **out, struct err *why)
{
    if (!env->camera_sim) return fail(why, E_STATE, "camera: no simulated world to photograph here");
    return camera_sim_open(env->camera_sim, out, why);
}

static int open_link_mem(const struct backend_env *env, struct link **out, struct err *why)
{
    if (!env->controller) return fail(why, E_STATE, "rail: no simulated controller to talk to here");
    struct link_mem_opts opts = {.latency_us = env->link_latency_us};
    *out = link_mem_open(env->sched, env->controller, &opts, why);
    return *out ? E_OK : E_NOMEM;
}

static const struct link_backend links[] = {
    {"simulated", true, open_link_mem},
};

static int open_axis_rail(const struct backend_env *env, struct axis **out, struct err *why)
{
    const struct link_backend *row;
    struct link *link;
    int rc = backend_link(env->bench->axis.link, &row, why);
    if (!rc) rc = row->open(env, &link, why);
    if (rc) return rc;
    struct axis_rail_opts opts = {.port = row->simulated ? "the simulated rail" : env->bench->axis.link,
                                  .speed_counts_per_s = env->speed_counts_per_s,
                                  .accel_counts_per_s2 = env->accel_counts_per_s2};
    return axis_rail_open(env->sched, link, &opts, out, why);
}

static const struct camera_backend cameras[] = {
    {"simulated", true, open_camera_sim},
};

static const struct axis_backend axes[] = {
    {"rail", open_axis_rail},
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
    char known[LIST_ROOM] = "";
    for (size_t i = 0; i < COUNT(links); i++) {
        list(known, links[i].kind);
        if (strcmp(links[i].kind, kind) != 0) continue;
        *out = &links[i];
        return E_OK;
    }
    return fail(why, E_UNSUPPORTED, "axis.link %s: cannot be opened yet; use one of: %s", kind, known);
}
