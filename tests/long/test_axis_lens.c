/* The lens of an emulated camera as an axis, through the camera program and the unmodified libgphoto2: the
 * contract for both kinds of drive, then what only a lens does. Where it really stands, and what it was sent,
 * the emulator knows. */
#include "tests/support/test.h"

#include "tests/support/axis_contract.h"
#include "tests/support/emulated.h"

static const int32_t WORTH[] = {1, 6, 30};
#define FAR_AWAY 100000

static struct rig *open_range(void)
{
    return emulated_lens_open(
        &(struct ptp_camera_opts){
            .family = PTP_RANGE_DRIVE, .lens_lo = -FAR_AWAY, .lens_hi = FAR_AWAY, .lens_us_a_count = -1},
        NULL);
}

static struct rig *open_named(void)
{
    return emulated_lens_open(
        &(struct ptp_camera_opts){
            .family = PTP_NAMED_SIZES, .lens_lo = -FAR_AWAY, .lens_hi = FAR_AWAY, .lens_us_a_count = -1},
        WORTH);
}

int main(void)
{
    static const struct axis_case AXES[] = {{"range drive", open_range, 20, 100},
                                            {"named sizes", open_named, 20, 500}};
    emulated_private_home(NULL);
    return axis_contract(AXES, 2);
}
