/* Where a lens is focused, found by comparing pictures, on the emulator's slanted plane: the truth is the
 * lens position that the picture was made for, which stands in the file and is not looked at. */
#include "tests/support/test.h"

#include <math.h>
#include <stdlib.h>

#include "image/focus_profile.h"
#include "tests/emulator/ptp_picture.h"

static void profile_at(const struct ptp_scene *scene, int32_t lens_at, struct focus_profile *out)
{
    struct err why = {0};
    size_t count;
    uint8_t *jpeg = ptp_picture_made(scene, 1, lens_at, &count);
    if (focus_profile_make("made", jpeg, count, PROFILE_MOST_PX, out, &why)) fail_msg("%s", why.text);
    free(jpeg);
}

static void a_picture_between_two_known_ones_is_placed_between_them(void **state)
{
    (void)state;
    const struct ptp_scene scene = {0, 320};
    struct focus_profile known[8], p;
    double at[8], most = 0;
    for (int i = 0; i < 8; i++) {
        at[i] = 40 + 30 * i;
        profile_at(&scene, (int32_t)at[i], &known[i]);
    }
    for (int32_t lens = 55; lens <= 235; lens += 6) {
        double found = 0, trust = 0;
        profile_at(&scene, lens, &p);
        assert_int_equal(focus_profile_place(known, at, 8, &p, &found, &trust, NULL), 0);
        assert_true(trust > 0.6);
        most = fmax(most, fabs(found - lens));
    }
    print_message("measured: the place of focus by picture: within %.1f counts of 30\n", most);
    assert_true(most <= 5); /* a sixth of a spacing, where a quarter is left as counted */
}

static void what_is_far_from_all_is_told_by_its_trust(void **state)
{
    (void)state;
    const struct ptp_scene scene = {0, 320}, other = {5000, 6000};
    struct focus_profile known[6], p;
    double at[6], found, trust;
    for (int i = 0; i < 6; i++) {
        at[i] = 60 + 30 * i;
        profile_at(&scene, (int32_t)at[i], &known[i]);
    }
    profile_at(&other, 100, &p); /* nothing in it is sharp */
    assert_int_equal(focus_profile_place(known, at, 6, &p, &found, &trust, NULL), 0);
    assert_true(trust < 0.6);
}

static void two_are_too_few_and_no_picture_is_told(void **state)
{
    (void)state;
    const struct ptp_scene scene = {0, 320};
    struct focus_profile known[2], p;
    const double at[2] = {0, 30};
    double found, trust;
    struct err why;
    profile_at(&scene, 0, &known[0]);
    profile_at(&scene, 30, &known[1]);
    profile_at(&scene, 15, &p);
    assert_int_equal(focus_profile_place(known, at, 2, &p, &found, &trust, &why), E_INPUT);
    assert_int_equal(focus_profile_make("nothing", (const uint8_t *)"nothing", 7, 480, &p, &why), E_INPUT);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_picture_between_two_known_ones_is_placed_between_them),
        cmocka_unit_test(what_is_far_from_all_is_told_by_its_trust),
        cmocka_unit_test(two_are_too_few_and_no_picture_is_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
