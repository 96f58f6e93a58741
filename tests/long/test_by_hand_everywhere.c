/* A stack by hand is killed at every other event of its run and gone on with: no frame is lost or at a wrong
 * place.
 */
#include "tests/support/test.h"

#include "tests/support/by_hand.h"

static void killed_anywhere_it_goes_on_and_no_frame_is_at_a_wrong_place(void **state)
{
    (void)state;
    const int64_t events = by_hand_events();
    int killed = 0, again = 0, doubtful = 0;
    for (int64_t at = 1; at < events; at += 2, killed++) {
        const int more = by_hand_kill(at);
        again += more;
        doubtful += more > 0;
        assert_true(more <= 1); /* only what was under way */
    }
    print_message("measured: a stack by hand killed at %d of its events: %d frames taken once more\n", killed,
                  again);
    assert_true(doubtful < killed / 4);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(killed_anywhere_it_goes_on_and_no_frame_is_at_a_wrong_place),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
