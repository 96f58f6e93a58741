/* Files in a watched folder that look like the frame that is asked for, and are none. What must be so: this
 * program's own contract, src/device/camera_folder.h, no outside source; whole seconds in Exif dates: CIPA
 * DC-008. */
#include "tests/support/test.h"

#include "device/camera_folder.h"
#include "tests/support/other_program.h"
#include "tests/support/picture.h"

#define WIDTH  32
#define HEIGHT 24
#define SECOND INT64_C(1000000)

static struct other_program other;
static struct sched *sched;
static struct camera_spec spec;
static struct camera *camera;
static char told[1024];

static void on_tell(void *arg, const char *sentence)
{
    (void)arg;
    const size_t used = strlen(told);
    snprintf(told + used, sizeof told - used, "%s\n", sentence);
}

static const struct person person = {.tell = on_tell, .key_fd = -1};

static int open_folder(void **state)
{
    static int opened;
    char name[32];
    (void)state;
    snprintf(name, sizeof name, "strays-%d", opened++);
    other_open(&other, name);
    sched = other.sched = sched_new_virtual(NULL);
    spec = (struct camera_spec){.width_px = WIDTH, .height_px = HEIGHT};
    snprintf(spec.folder, sizeof spec.folder, "%s", other.dir);
    camera = NULL;
    return 0;
}

static void open_camera(void)
{
    const struct camera_folder_opts o = {
        .spec = &spec, .sched = sched, .person = &person, .eyes = &other.eyes};
    assert_int_equal(camera_folder_open(&o, &camera, NULL), 0);
    assert_int_equal(camera_arm(camera, NULL), 0);
}

static int close_folder(void **state)
{
    (void)state;
    camera_close(camera);
    other_close(&other);
    sched_free(sched);
    return 0;
}

static void pass(int64_t us)
{
    const int64_t until = sched_now_us(sched) + us;
    while (sched_step(sched, until))
        continue;
}

static void ask(uint64_t token)
{
    told[0] = '\0';
    assert_int_equal(camera_trigger(camera, token, NULL), 0);
}

/* What has happened so far, remarks left out: those are in `told`. */
static struct camera_event happened(void)
{
    struct camera_event ev;
    do
        assert_int_equal(camera_next_event(camera, &ev, NULL), 0);
    while (ev.kind == CAMERA_REMARK);
    return ev;
}

static void put(const char *name, int pixels, int exif_second)
{
    uint8_t rgb[WIDTH * HEIGHT * 3];
    char date[32];
    for (int i = 0; i < WIDTH * HEIGHT * 3; i++)
        rgb[i] = (uint8_t)(i * (pixels + 3) % 251);
    snprintf(date, sizeof date, "2001:01:01 20:%02d:%02d", exif_second / 60, exif_second % 60);
    struct jpeg_how how = {.exif = exif_make(&(struct exif_says){.date = date})};
    struct bytes b = jpeg_make(rgb, WIDTH, HEIGHT, &how);
    other_put(&other, name, b.p, b.n);
    free(how.exif.p);
    free(b.p);
}

static void expect_frame(uint64_t token, const char *name)
{
    pass(4 * SECOND);
    struct camera_event ev = happened();
    assert_int_equal(ev.kind, CAMERA_OBJECT);
    assert_int_equal(ev.token, token);
    assert_string_equal(ev.object.name, name);
    assert_int_equal(happened().kind, CAMERA_COMPLETE);
}

static void shoot(uint64_t token, const char *name, int exif_second)
{
    ask(token);
    put(name, (int)token, exif_second);
    expect_frame(token, name);
}

static void expect_nothing(const char *remark)
{
    pass(5 * SECOND);
    assert_int_equal(happened().kind, CAMERA_NOTHING);
    assert_non_null(strstr(told, remark));
}

static void touch(const char *name)
{
    other_put(&other, name, "tag", 3); /* behind the picture's end, where it stays whole */
}

static void an_old_picture_that_somebody_touches_is_no_frame(void **state)
{
    (void)state;
    put("old.jpg", 9, 1);
    open_camera();
    ask(1);
    touch("old.jpg");
    expect_nothing("old.jpg was here before and has been written to");
    put("new.jpg", 1, 10);
    expect_frame(1, "new.jpg");
}

/* Long after it was taken, when its date could be that of a clock that was set. */
static void an_earlier_frame_that_somebody_tags_is_no_frame_of_a_later_slice(void **state)
{
    (void)state;
    open_camera();
    shoot(1, "a.jpg", 10);
    pass(900 * SECOND);
    shoot(2, "b.jpg", 920);
    ask(3);
    touch("a.jpg");
    expect_nothing("a.jpg was here before and has been written to");
    put("c.jpg", 3, 930);
    expect_frame(3, "c.jpg");
}

/* The file of the frame before comes again with other pixels and its old date: developed anew, not shot. */
static void the_frame_before_developed_anew_is_no_frame(void **state)
{
    (void)state;
    open_camera();
    shoot(1, "a.jpg", 10);
    ask(2);
    assert_int_equal(remove(other_path(&other, "a.jpg")), 0);
    put("a.jpg", 7, 10);
    expect_nothing("a.jpg was taken before it was asked for");
    put("b.jpg", 2, 20);
    expect_frame(2, "b.jpg");
}

/* The camera counts whole seconds, so that two frames of one second may lie a second apart in their dates;
 * the second file comes when the next slice is asked for already. */
static void a_burst_s_second_frame_is_not_the_next_slice_s(void **state)
{
    (void)state;
    open_camera();
    ask(1);
    put("a.jpg", 1, 10);
    int64_t us = 0;
    for (; happened().kind != CAMERA_COMPLETE; us += 10000)
        pass(10000);
    print_message("measured: a frame that comes at once is taken %.2f s later\n", (double)us / 1e6);
    pass(SECOND); /* the usual settle */
    ask(2);
    pass(SECOND / 2);
    put("a-2.jpg", 2, 11);
    expect_nothing("a-2.jpg was taken before it was asked for");
    put("b.jpg", 3, 16);
    expect_frame(2, "b.jpg");
}

static void a_second_frame_within_a_second_makes_both_none_and_is_said(void **state)
{
    (void)state;
    open_camera();
    ask(1);
    put("a.jpg", 1, 10);
    pass(SECOND * 6 / 10);
    put("b.jpg", 2, 10);
    pass(2 * SECOND);
    assert_int_equal(happened().kind, CAMERA_FAILED);
    assert_non_null(strstr(told, "two frames came for one, a.jpg and b.jpg"));
    shoot(2, "c.jpg", 20);
}

#define LONG "a-long-name-of-a-session-such-as-some-programs-put-before-each-frame-of-an-evening"

static void names_are_told_in_full_where_they_differ_in_their_ends(void **state)
{
    (void)state;
    uint16_t cfa[WIDTH * HEIGHT];
    open_camera();
    spec.raw_and_jpeg = true;
    for (int i = 0; i < WIDTH * HEIGHT; i++)
        cfa[i] = (uint16_t)(20000 + i);
    struct bytes raw = dng_make(cfa, WIDTH, HEIGHT, &(struct exif_says){.iso = 100}, (struct bytes){0}, 0, 0);
    ask(1);
    put(LONG ".jpg", 1, 10);
    other_put(&other, LONG ".dng", raw.p, raw.n);
    free(raw.p);
    pass(5 * SECOND);
    const struct camera_event one = happened(), two = happened();
    assert_int_equal(one.kind, CAMERA_OBJECT);
    assert_int_equal(two.kind, CAMERA_OBJECT);
    assert_string_equal(one.object.name, LONG ".dng");
    assert_string_equal(two.object.name, LONG ".jpg");
}

#define ONE(test) cmocka_unit_test_setup_teardown(test, open_folder, close_folder)

int main(void)
{
    const struct CMUnitTest tests[] = {
        ONE(an_old_picture_that_somebody_touches_is_no_frame),
        ONE(an_earlier_frame_that_somebody_tags_is_no_frame_of_a_later_slice),
        ONE(the_frame_before_developed_anew_is_no_frame),
        ONE(a_burst_s_second_frame_is_not_the_next_slice_s),
        ONE(a_second_frame_within_a_second_makes_both_none_and_is_said),
        ONE(names_are_told_in_full_where_they_differ_in_their_ends),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
