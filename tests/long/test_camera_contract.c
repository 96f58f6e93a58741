/* The contract of cameras, kept through the camera program and the unmodified libgphoto2 by each family of
 * the emulated one. Real time, as the library has its own clocks. */
#include "tests/support/test.h"

#include "tests/support/camera_contract.h"
#include "tests/support/emulated.h"

static void open_family(struct camera_subject *s, enum ptp_family family)
{
    memset(s, 0, sizeof *s);
    struct emulated *e = s->emulated = calloc(1, sizeof *e);
    assert_non_null(e);
    emulated_open(e, &(struct ptp_camera_opts){.family = family, .ready_us = 20000});
    s->sched = e->sched;
    s->camera = e->camera;
    camera_subject_listen(s);
}

static void open_generic(struct camera_subject *s)
{
    open_family(s, PTP_GENERIC);
}

static void open_range(struct camera_subject *s)
{
    open_family(s, PTP_RANGE_DRIVE);
}

static void open_named(struct camera_subject *s)
{
    open_family(s, PTP_NAMED_SIZES);
}

static void close_family(struct camera_subject *s)
{
    emulated_close(s->emulated);
    free(s->emulated);
}

static int32_t released(struct camera_subject *s)
{
    struct emulated *e = s->emulated;
    const int32_t n = ptp_ip_lock(e->ip)->release_count;
    ptp_ip_unlock(e->ip);
    return n;
}

static void mute(struct camera_subject *s)
{
    struct emulated *e = s->emulated;
    ptp_ip_lock(e->ip)->opts.faults.mute_release = 1;
    ptp_ip_unlock(e->ip);
}

int main(void)
{
    static const struct camera_case cases[] = {
        {"generic", open_generic, close_family, released, mute, false, 1000000},
        {"range drive", open_range, close_family, released, mute, true, 1000000},
        {"named sizes", open_named, close_family, released, mute, true, 1000000},
    };
    emulated_private_home(NULL);
    return camera_contract(cases, 3);
}
