/* False blame: stacks in which nothing is wrong (tests/support/clean.h), half of them here. */
#include "tests/support/clean.h"
#include "tests/support/test.h"

#define FROM 1

static void hardly_any_clean_stack_is_blamed(void **state)
{
    (void)state;
    struct clean_tally tally = {0};
    for (int32_t i = FROM; i < CLEAN_STACKS; i += 2)
        clean_stack(i, &tally);
    printf("measured: clean stacks blamed, %s half: %d of %d, of %d frames in all; the barest has texture on "
           "%.0f %% of it\n",
           FROM ? "second" : "first", tally.blamed, tally.stacks, tally.frames, 100 * tally.textured_least);
    assert_true(tally.blamed <= 1); /* two of a hundred, both halves together */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(hardly_any_clean_stack_is_blamed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
