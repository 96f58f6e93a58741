/* Ways, sides and lines in the verdict of a stack whose files say how they are to be turned. Truth: how a
 * sheet of paper that is turned by hand shows what went to its left; which turn a tag means, TIFF 6.0 (1992),
 * section 8, tag 274 (6: row 0 is the right side, column 0 the top - a quarter clockwise; 8 the other way; 3
 * a half; 2 is mirrored). */
#include "tests/support/test.h"

#include "check/shown.h"
#include "tests/support/made.h"

enum { FRAMES = 30 };

static const struct finding *find(const struct verdict *v, const char *code)
{
    for (int32_t i = 0; i < v->findings.count; i++)
        if (!strcmp(v->findings.rows[i].code, code)) return &v->findings.rows[i];
    return NULL;
}

/* The subject goes to the left of what is stored, by 4 px a frame: what it leaves behind is seen no more. */
static void a_way_to_the_left_is_told_as_it_is_seen(void **state)
{
    (void)state;
    static const struct {
        int32_t orientation;
        const char *way;
        int side; /* that is lost: left, right, top, bottom */
    } rows[] = {{0, "to the left", 0},
                {2, "to the right", 1},
                {3, "to the right", 1},
                {6, " up", 2},
                {8, " down", 3}};
    double shift[FRAMES];
    struct made m;
    for (int32_t i = 0; i < FRAMES; i++)
        shift[i] = -4.0 * i;
    made_new(
        &(struct made_opts){
            .frames = FRAMES, .near_at = 3.5, .far_at = 25.5, .noise = 1, .shift_px = shift, .seed = 7},
        &m);
    for (size_t k = 0; k < sizeof rows / sizeof *rows; k++) {
        struct verdict v = {0};
        for (int32_t i = 0; i < FRAMES; i++)
            m.measures[i].orientation = rows[k].orientation;
        made_check(&m, NULL, &v);
        const struct finding *drift = find(&v, "drift"), *border = find(&v, "border");
        const double lost[] = {v.border.left_px, v.border.right_px, v.border.top_px, v.border.bottom_px};
        assert_true(drift && border);
        if (!strstr(drift->text, rows[k].way))
            fail_msg("orientation %d: %s", rows[k].orientation, drift->text);
        for (int side = 0; side < 4; side++)
            assert_int_equal(lost[side] > 40, side == rows[k].side);
        verdict_clear(&v);
    }
    /* One frame that tells otherwise: nothing is turned. */
    struct verdict v = {0};
    m.measures[3].orientation = 1;
    made_check(&m, NULL, &v);
    assert_int_equal(v.orientation, 1);
    assert_non_null(strstr(find(&v, "drift")->text, "to the left"));
    verdict_clear(&v);
    made_clear(&m);
}

/* A picture of 60 x 40 px in 3 x 2 tiles of 16 px: strips of 12 px at the right and 8 px at the bottom. */
static struct verdict small(void)
{
    struct verdict v = {.frames = 1, .orientation = 1, .width_px = 60, .height_px = 40, .tile_px = 16};
    v.rows = 2, v.cols = 3;
    v.tiles = calloc(6, sizeof *v.tiles);
    for (int i = 0; i < 6; i++)
        v.tiles[i].beyond = i;
    v.place = calloc(1, sizeof *v.place);
    v.spots = calloc(2, sizeof *v.spots);
    v.spot_count = 2;
    v.spots[0] = (struct sensor_spot){.x_px = 10, .y_px = 5}; /* dust: a point */
    v.spots[1] =
        (struct sensor_spot){.hot = true, .x_px = 59, .y_px = 0}; /* the pixel in the upper right corner */
    v.quiet.axis_deg = 45;                                        /* from lower left to upper right */
    v.groups = calloc(1, sizeof *v.groups);
    v.group_count = 1;
    v.groups[0].jump_x_px = 3; /* to the right */
    v.drift.closing_x_px = 2;
    v.region = (struct region_px){0, 0, 20, 10};
    v.weakest_count = 1;
    v.weakest[0] =
        (struct weak_place){.at_x_px = 60, .at_y_px = 20, .x_px = 40, .y_px = 10, .w_px = 20, .h_px = 20};
    return v;
}

static void a_quarter_clockwise_turns_all_of_a_verdict(void **state)
{
    (void)state;
    struct verdict v = small();
    assert_int_equal(shown_verdict(&v, 6, NULL), 0);
    assert_int_equal(v.width_px, 40);
    assert_int_equal(v.height_px, 60);
    assert_int_equal(v.rows, 3);
    assert_int_equal(v.cols, 2);
    /* the lower row is the left column now; the strip below it lies to the left */
    static const int tiles[] = {3, 0, 4, 1, 5, 2};
    for (int i = 0; i < 6; i++)
        assert_near(v.tiles[i].beyond, tiles[i], 0);
    assert_int_equal(v.grid_x_px, 8);
    assert_int_equal(v.grid_y_px, 0);
    assert_near(v.spots[0].x_px, 35, 0);
    assert_near(v.spots[0].y_px, 10, 0);
    assert_near(v.spots[1].x_px, 39, 0); /* the lower right corner */
    assert_near(v.spots[1].y_px, 59, 0);
    assert_near(v.quiet.axis_deg, 135, 1e-9); /* from upper left to lower right */
    assert_near(v.groups[0].jump_x_px, 0, 0);
    assert_near(v.groups[0].jump_y_px, 3, 0); /* down */
    assert_near(v.drift.closing_x_px, 0, 0);
    assert_near(v.drift.closing_y_px, 2, 0);
    assert_int_equal(v.region.x, 30);
    assert_int_equal(v.region.y, 0);
    assert_int_equal(v.region.w, 10);
    assert_int_equal(v.region.h, 20);
    assert_int_equal(v.weakest[0].at_x_px, 20);
    assert_int_equal(v.weakest[0].at_y_px, 59); /* on the border: its last pixel */
    assert_int_equal(v.weakest[0].x_px, 10);
    assert_int_equal(v.weakest[0].y_px, 40);
    verdict_clear(&v);
}

static void lines_are_told_between_0_and_180_degrees(void **state)
{
    (void)state;
    static const struct {
        int32_t orientation;
        double stored, shown;
    } rows[] = {{6, 0, 90},   {8, 0, 90},   {6, 90, 0},   {8, 90, 0},  {3, 30, 30}, {8, 30, 120},
                {6, 30, 120}, {2, 30, 150}, {4, 30, 150}, {5, 30, 60}, {7, 30, 60}};
    for (size_t k = 0; k < sizeof rows / sizeof *rows; k++) {
        struct verdict v = small();
        v.quiet.axis_deg = rows[k].stored;
        assert_int_equal(shown_verdict(&v, rows[k].orientation, NULL), 0);
        /* 180 is 0 */
        assert_near(fmod(v.quiet.axis_deg + 1e-9, 180), rows[k].shown, 1e-6);
        verdict_clear(&v);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_way_to_the_left_is_told_as_it_is_seen),
        cmocka_unit_test(a_quarter_clockwise_turns_all_of_a_verdict),
        cmocka_unit_test(lines_are_told_between_0_and_180_degrees),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
