/* See tests/support/lens_faults.h. */
#include "tests/support/lens_faults.h"
#include "tests/support/test.h"

static void whatever_befalls_the_camera_every_slice_has_its_frame(void **state)
{
    (void)state;
    lens_faults_table(PTP_NAMED_SIZES, "named");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(whatever_befalls_the_camera_every_slice_has_its_frame)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
