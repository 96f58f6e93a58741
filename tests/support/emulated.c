#include "tests/support/emulated.h"

#include <stdlib.h>

#include "device/axis_lens.h"
#include "device/camera_gphoto.h"
#include "tests/support/shell.h"
#include "tests/support/test.h"

#define LOOK_US 2000

void emulated_open(struct emulated *e, const struct ptp_camera_opts *opts)
{
    struct err why = {0};
    *e = (struct emulated){.spec = {.width_px = PTP_PICTURE_WIDTH, .height_px = PTP_PICTURE_HEIGHT}};
    e->ip = ptp_ip_start(opts);
    snprintf(e->port, sizeof e->port, "ptpip:127.0.0.1:%d:%d", ptp_ip_port(e->ip), ptp_ip_port(e->ip));
    snprintf(e->program, sizeof e->program, "%s-camera", staddle_program());
    e->sched = sched_new_real(&why);
    const struct camera_gphoto_opts o = {
        .sched = e->sched, .spec = &e->spec, .port = e->port, .program = e->program, .silence_us = 2500000};
    if (camera_gphoto_open(&o, &e->camera, &why)) fail_msg("%s", why.text);
}

void emulated_close(struct emulated *e)
{
    camera_close(e->camera);
    sched_free(e->sched);
    ptp_ip_stop(e->ip);
}

/* ---- the lens */

struct lens_rig {
    struct rig rig; /* first: rig_close frees it */
    struct emulated emulated;
    struct axis_ops ops;
    const struct axis_ops *true_ops;
    sched_id call;
};

struct emulated *emulated_of(struct rig *g)
{
    return &((struct lens_rig *)g)->emulated;
}

static void look(struct lens_rig *x)
{
    const struct ptp_camera *c = ptp_ip_lock(x->emulated.ip);
    x->rig.place = c->lens_at;
    x->rig.edges = c->move_count;
    ptp_ip_unlock(x->emulated.ip);
}

static void on_time(void *arg)
{
    struct lens_rig *x = arg;
    look(x);
    x->call = sched_at(x->rig.sched, sched_now_us(x->rig.sched) + LOOK_US, on_time, x);
}

static void on_notice(void *arg)
{
    struct lens_rig *x = arg;
    x->rig.notices++;
    look(x);
}

/* rig_close closes the axis, then frees the clock. */
static void close_all(struct axis *ax)
{
    struct lens_rig *x = ax->notice_arg;
    sched_cancel(x->rig.sched, x->call);
    x->true_ops->close(ax);
    camera_close(x->emulated.camera);
    ptp_ip_stop(x->emulated.ip);
}

struct rig *emulated_lens_open(const struct ptp_camera_opts *opts, const int32_t worth[3])
{
    struct err why = {0};
    struct lens_rig *x = calloc(1, sizeof *x);
    assert_non_null(x);
    emulated_open(&x->emulated, opts);
    struct axis_lens_opts o = {.camera = x->emulated.camera, .rest_us = 1000};
    for (int i = 0; worth && i < 3; i++)
        o.worth[i] = worth[i];
    x->rig.sched = x->emulated.sched;
    if (axis_lens_open(x->rig.sched, &o, &x->rig.axis, &why)) fail_msg("%s", why.text);
    x->true_ops = x->rig.axis->ops;
    x->ops = *x->true_ops;
    x->ops.close = close_all;
    x->rig.axis->ops = &x->ops;
    x->rig.axis->notice = on_notice;
    x->rig.axis->notice_arg = x;
    on_time(x);
    return &x->rig;
}

void emulated_write_bench(const struct ptp_ip *ip, double f_number, const char *camera_keys)
{
    FILE *f = fopen(in_folder("bench.yaml"), "w");
    assert_non_null(f);
    fprintf(f,
            "camera: {kind: tethered, port: 'ptpip:127.0.0.1:%d:%d', width_px: 160, height_px: 120, "
            "sensor_width_mm: 24%s}\n"
            "axis: {kind: rail, link: simulated, lead_mm: 2, steps_per_rev: 200, microsteps: 16}\n"
            "lens: {focal_length_mm: 35, f_number: %g}\n",
            ptp_ip_port(ip), ptp_ip_port(ip), camera_keys, f_number);
    fclose(f);
}

void emulated_write_job(int slices, const char *more)
{
    FILE *f = fopen(in_folder("job.yaml"), "w");
    assert_non_null(f);
    fprintf(f, "bench: bench.yaml\nmagnification: 4\nnear_mm: 0\nfar_mm: 0.4\nslices: %d\n%s", slices, more);
    fclose(f);
}

struct ptp_camera emulated_now(struct ptp_ip *ip)
{
    const struct ptp_camera c = *ptp_ip_lock(ip);
    ptp_ip_unlock(ip);
    return c;
}

int emulated_private_home(void **state)
{
    (void)state;
    return setenv("HOME", test_folder(), 1) || setenv("XDG_RUNTIME_DIR", test_folder(), 1);
}
