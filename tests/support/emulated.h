/* emulated.h - an emulated camera (tests/emulator) and the devices that reach it through the camera program
 * and the unmodified libgphoto2, in real time. */
#ifndef TESTS_SUPPORT_EMULATED_H
#define TESTS_SUPPORT_EMULATED_H

#include "device/axis.h"
#include "device/camera.h"
#include "tests/emulator/ptp_ip.h"
#include "tests/support/rail_rig.h"

struct emulated {
    struct ptp_ip *ip;
    struct sched *sched;
    struct camera *camera;
    struct camera_spec spec;
    char port[64], program[512];
};

void emulated_open(struct emulated *, const struct ptp_camera_opts *);
void emulated_close(struct emulated *);

/* The lens as a rig of the axis contract: the truth (place, edges) is the emulator's. `worth`: of the named
 * sizes. */
struct rig *emulated_lens_open(const struct ptp_camera_opts *, const int32_t worth[3]);
struct emulated *emulated_of(struct rig *);

/* bench.yaml in this test program's folder: that camera, more of its keys (", fetch: jpeg" or ""), the
 * simulated rail; job.yaml: so many slices, and what else it says. */
void emulated_write_bench(const struct ptp_ip *, double f_number, const char *camera_keys);
void emulated_write_job(int slices, const char *more);

/* The emulator as it is now. */
struct ptp_camera emulated_now(struct ptp_ip *);

/* cmocka's group setup: the library remembers settings in HOME, which is a folder of the test's then. */
int emulated_private_home(void **state);

#endif
