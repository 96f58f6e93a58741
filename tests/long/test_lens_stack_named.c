/* See tests/support/lens_stack.h. */
#include "tests/support/lens_stack.h"
#include "tests/support/test.h"

static void two_hundred_slices_by_named_sizes(void **state)
{
    (void)state;
    lens_stack_shoot(PTP_NAMED_SIZES, "named");
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(two_hundred_slices_by_named_sizes)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
