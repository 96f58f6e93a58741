/* A camera that others fire: which file is whose frame. The files are made by reference libraries
 * (tests/support/picture.c); the played program says what inotify would. What must be so: this program's own
 * contract, src/device/camera_folder.h, no outside source. */
#include "tests/support/test.h"

#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include "base/mem.h"
#include "device/camera_folder.h"
#include "tests/support/other_program.h"
#include "tests/support/picture.h"
#include "tests/support/shell.h"

#define WIDTH  64
#define HEIGHT 48

struct subject {
    struct sched *sched;
    struct other_program other;
    struct camera_spec spec;
    struct person person;
    struct camera *camera;
    char told[1024]; /* all that the person was told since the last look */
    bool noticed;
};

static void on_notice(void *arg)
{
    ((struct subject *)arg)->noticed = true;
}

static void on_tell(void *arg, const char *sentence)
{
    struct subject *s = arg;
    const size_t used = strlen(s->told);
    snprintf(s->told + used, sizeof s->told - used, "%s\n", sentence);
}

static void look_again(struct subject *s)
{
    struct err why = {0};
    const struct camera_folder_opts o = {
        .spec = &s->spec, .sched = s->sched, .person = &s->person, .eyes = &s->other.eyes};
    if (camera_folder_open(&o, &s->camera, &why)) fail_msg("%s", why.text);
    s->camera->notice = on_notice;
    s->camera->notice_arg = s;
    assert_int_equal(camera_set(s->camera, &(struct camera_settings){.exposure_us = 1000}, NULL), 0);
    assert_int_equal(camera_arm(s->camera, NULL), 0);
}

static void open_unseen(struct subject *s)
{
    static int opened;
    char name[32];
    memset(s, 0, sizeof *s);
    snprintf(name, sizeof name, "in-%d", opened++);
    other_open(&s->other, name);
    s->sched = s->other.sched = sched_new_virtual(NULL);
    s->person = (struct person){.tell = on_tell, .key_fd = -1, .arg = s};
    s->spec = (struct camera_spec){.width_px = WIDTH, .height_px = HEIGHT, .wait_us = 60000000};
    snprintf(s->spec.folder, sizeof s->spec.folder, "%s", s->other.dir);
}

static void open_subject(struct subject *s)
{
    open_unseen(s);
    look_again(s);
}

static void close_subject(struct subject *s)
{
    camera_close(s->camera);
    other_close(&s->other);
    sched_free(s->sched);
}

static void pass(struct subject *s, int64_t us)
{
    const int64_t until = sched_now_us(s->sched) + us;
    while (sched_step(s->sched, until))
        continue;
}

/* The next event but remarks (those were told to the person). */
static struct camera_event next(struct subject *s, int64_t us)
{
    struct camera_event ev;
    const int64_t until = sched_now_us(s->sched) + us;
    for (;;) {
        assert_int_equal(camera_next_event(s->camera, &ev, NULL), 0);
        if (ev.kind == CAMERA_REMARK) continue;
        if (ev.kind != CAMERA_NOTHING) return ev;
        s->noticed = false;
        while (!s->noticed)
            if (!sched_step(s->sched, until)) return ev;
    }
}

static struct camera_event expect(struct subject *s, enum camera_event_kind kind)
{
    struct camera_event ev = next(s, 120000000);
    if (ev.kind != kind && ev.why.text[0]) print_error("%s\n", ev.why.text);
    if (ev.kind != kind) print_error("told: %s\n", s->told);
    assert_int_equal(ev.kind, kind);
    return ev;
}

static void expect_quiet(struct subject *s, int64_t us)
{
    assert_int_equal(next(s, us).kind, CAMERA_NOTHING);
}

static void ask(struct subject *s, uint64_t token)
{
    s->told[0] = '\0';
    assert_int_equal(camera_trigger(s->camera, token, NULL), 0);
}

/* Pictures that differ from each other; seconds: by the camera's clock, 0 not told. */
static struct bytes picture(int number, int seconds)
{
    uint8_t rgb[WIDTH * HEIGHT * 3];
    char date[32];
    for (int i = 0; i < WIDTH * HEIGHT * 3; i++)
        rgb[i] = (uint8_t)((i * (number + 3)) % 251);
    snprintf(date, sizeof date, "2001:01:01 20:%02d:%02d", seconds / 60, seconds % 60);
    struct jpeg_how how = {0};
    if (seconds) how.exif = exif_make(&(struct exif_says){.date = date});
    struct bytes b = jpeg_make(rgb, WIDTH, HEIGHT, &how);
    free(how.exif.p);
    return b;
}

static struct bytes raw(int number)
{
    uint16_t cfa[WIDTH * HEIGHT];
    for (int i = 0; i < WIDTH * HEIGHT; i++)
        cfa[i] = (uint16_t)(20000 + (i * (number + 3)) % 9973);
    return dng_make(cfa, WIDTH, HEIGHT, &(struct exif_says){.iso = 100}, (struct bytes){0}, 0, 0);
}

static void put(struct subject *s, const char *name, struct bytes b)
{
    other_put(&s->other, name, b.p, b.n);
    free(b.p);
}

/* The whole life of a frame, of that one file. */
static void expect_frame(struct subject *s, const char *name, struct bytes is)
{
    struct camera_event ev = expect(s, CAMERA_OBJECT);
    const uint64_t token = ev.token;
    assert_string_equal(ev.object.name, name);
    expect(s, CAMERA_COMPLETE);
    assert_int_equal(camera_fetch(s->camera, token, &ev.object, NULL), 0);
    ev = expect(s, CAMERA_FETCHED);
    assert_int_equal(ev.byte_count, is.n);
    assert_memory_equal(ev.bytes, is.p, is.n);
    mem_free(ev.bytes);
}

static void shoot(struct subject *s, uint64_t token, const char *name, int number, int seconds)
{
    struct bytes b = picture(number, seconds);
    ask(s, token);
    pass(s, 1000000);
    other_put(&s->other, name, b.p, b.n);
    expect_frame(s, name, b);
    free(b.p);
}

/* ---- when a file is whole */

static void a_file_that_grows_is_waited_for(void **state)
{
    (void)state;
    struct subject s;
    struct bytes b = picture(1, 0);
    open_subject(&s);
    ask(&s, 1);
    assert_non_null(strstr(s.told, "take the frame now"));
    for (size_t at = 0; at < b.n; at += b.n / 4 + 1) {
        expect_quiet(&s, 900000); /* longer than a file has to be quiet */
        const size_t left = b.n - at, piece = left < b.n / 4 + 1 ? left : b.n / 4 + 1;
        other_write(&s.other, "a.jpg", b.p + at, piece);
    }
    other_end(&s.other, "a.jpg");
    expect_frame(&s, "a.jpg", b);
    free(b.p);
    close_subject(&s);
}

static void a_whole_file_that_is_still_open_is_waited_for(void **state)
{
    (void)state;
    struct subject s;
    struct bytes b = picture(1, 0);
    open_subject(&s);
    ask(&s, 1);
    other_write(&s.other, "a.jpg", b.p, b.n);
    expect_quiet(&s, 20000000);
    other_end(&s.other, "a.jpg");
    expect_frame(&s, "a.jpg", b);
    free(b.p);
    close_subject(&s);
}

static void a_file_that_gets_its_name_when_it_is_whole_is_taken(void **state)
{
    (void)state;
    struct subject s;
    struct bytes b = picture(1, 0);
    open_subject(&s);
    ask(&s, 1);
    other_write(&s.other, "a.jpg.part", b.p, b.n / 2);
    pass(&s, 800000);
    other_write(&s.other, "a.jpg.part", b.p + b.n / 2, b.n - b.n / 2);
    other_rename(&s.other, "a.jpg.part", "a.jpg");
    expect_frame(&s, "a.jpg", b);
    assert_null(strstr(s.told, "part"));
    free(b.p);
    close_subject(&s);
}

static void a_picture_cut_short_is_no_frame_and_is_told(void **state)
{
    (void)state;
    struct subject s;
    struct bytes b = picture(1, 0);
    open_subject(&s);
    ask(&s, 1);
    other_put(&s.other, "a.jpg", b.p, b.n / 2);
    struct camera_event ev = expect(&s, CAMERA_FAILED);
    assert_int_equal(ev.token, 1);
    assert_non_null(strstr(ev.why.text, "a.jpg came, and is no whole picture"));
    shoot(&s, 2, "b.jpg", 2, 0); /* and is not taken for the next */
    free(b.p);
    close_subject(&s);
}

/* ---- whose frame it is */

static void what_was_there_before_is_not_taken(void **state)
{
    (void)state;
    struct subject s;
    open_unseen(&s);
    put(&s, "old.jpg", picture(9, 0));
    look_again(&s);
    ask(&s, 1);
    expect_quiet(&s, 5000000);
    put(&s, "new.jpg", picture(1, 0));
    assert_string_equal(expect(&s, CAMERA_OBJECT).object.name, "new.jpg");
    close_subject(&s);
}

static void what_comes_between_two_frames_is_left_and_told(void **state)
{
    (void)state;
    struct subject s;
    open_subject(&s);
    shoot(&s, 1, "a.jpg", 1, 0);
    put(&s, "stray.jpg", picture(2, 0));
    s.told[0] = '\0';
    pass(&s, 1000000);
    assert_non_null(strstr(s.told, "stray.jpg came while no frame was waited for"));
    shoot(&s, 2, "b.jpg", 3, 0);
    close_subject(&s);
}

static void two_frames_for_one_are_none(void **state)
{
    (void)state;
    struct subject s;
    open_subject(&s);
    ask(&s, 1);
    put(&s, "a.jpg", picture(1, 0));
    put(&s, "b.jpg", picture(2, 0));
    struct camera_event ev = expect(&s, CAMERA_FAILED);
    assert_non_null(strstr(ev.why.text, "two frames came for one, a.jpg and b.jpg"));
    shoot(&s, 2, "c.jpg", 3, 0);
    close_subject(&s);
}

/* The second release of a double one is written late, when the next frame is waited for already. Dates with
 * whole seconds, as Exif has them without its part of a second (CIPA DC-008). */
static void what_was_taken_before_it_was_asked_for_is_told_by_its_clock(void **state)
{
    (void)state;
    struct subject s;
    open_subject(&s);
    shoot(&s, 1, "a.jpg", 1, 10);
    pass(&s, 5000000); /* the person turns the knob */
    ask(&s, 2);
    put(&s, "again.jpg", picture(2, 12));
    expect_quiet(&s, 3000000);
    assert_non_null(strstr(s.told, "again.jpg was taken before it was asked for"));
    struct bytes b = picture(3, 18);
    other_put(&s.other, "b.jpg", b.p, b.n);
    expect_frame(&s, "b.jpg", b);
    free(b.p);
    ask(&s, 3); /* somebody sets the clock back by an hour: that is no reason to refuse everything */
    put(&s, "c.jpg", picture(4, 0));
    expect(&s, CAMERA_OBJECT);
    close_subject(&s);
}

static void the_same_picture_once_more_is_no_frame(void **state)
{
    (void)state;
    struct subject s;
    open_subject(&s);
    shoot(&s, 1, "a.jpg", 1, 0);
    ask(&s, 2);
    put(&s, "a (copy).jpg", picture(1, 0));
    expect_quiet(&s, 5000000);
    assert_non_null(strstr(s.told, "a (copy).jpg is the picture of the frame before once more"));
    put(&s, "b.jpg", picture(2, 0));
    expect(&s, CAMERA_OBJECT);
    close_subject(&s);
}

/* Some programs write every frame to one name, some write into a file once more after it was taken. */
static void a_name_may_come_again_with_another_picture(void **state)
{
    (void)state;
    struct subject s;
    open_subject(&s);
    shoot(&s, 1, "now.jpg", 1, 0);
    struct bytes b = picture(2, 0);
    ask(&s, 2);
    pass(&s, 1000000);
    assert_int_equal(truncate(other_path(&s.other, "now.jpg"), 0), 0);
    other_put(&s.other, "now.jpg", b.p, b.n);
    expect_frame(&s, "now.jpg", b);
    const int64_t before = sched_now_us(s.sched);
    other_put(&s.other, "now.jpg", "tag", 3); /* behind the picture's end */
    s.told[0] = '\0';
    pass(&s, 2000000);
    assert_string_equal(s.told, "");
    ask(&s, 3);
    other_put(&s.other, "now.jpg", "tag", 3);
    expect_quiet(&s, 3000000);
    assert_null(strstr(s.told, "now.jpg"));
    assert_true(sched_now_us(s.sched) > before);
    free(b.p);
    close_subject(&s);
}

static void what_is_no_picture_is_left_and_told_once(void **state)
{
    (void)state;
    struct subject s;
    open_subject(&s);
    ask(&s, 1);
    other_put(&s.other, "notes.txt", "hello", 5);
    other_put(&s.other, ".hidden.jpg", "hello", 5);
    assert_int_equal(symlink("/etc/hostname", other_path(&s.other, "link.jpg")), 0);
    assert_int_equal(mkdir(other_path(&s.other, "folder.jpg"), 0755), 0);
    expect_quiet(&s, 5000000);
    assert_non_null(strstr(s.told, "notes.txt is no picture by its name"));
    assert_null(strstr(s.told, "hidden"));
    assert_null(strstr(s.told, "link"));
    other_put(&s.other, "more.txt", "hello", 5);
    expect_quiet(&s, 5000000);
    assert_null(strstr(s.told, "more.txt"));
    put(&s, "a.jpg", picture(1, 0));
    expect(&s, CAMERA_OBJECT);
    close_subject(&s);
}

/* ---- a raw and its JPEG */

static void a_raw_and_its_jpeg_are_one_frame(void **state)
{
    (void)state;
    struct subject s;
    struct bytes r = raw(1);
    open_subject(&s);
    s.spec.raw_and_jpeg = true;
    for (uint64_t token = 1; token <= 2; token++) {
        char jpg[16], dng[16];
        snprintf(jpg, sizeof jpg, "a%d.JPG", (int)token);
        snprintf(dng, sizeof dng, "A%d.dng", (int)token); /* one stem, whatever the case */
        ask(&s, token);
        put(&s, jpg, picture((int)token, 0));
        expect_quiet(&s, 4000000); /* the raw takes its time */
        put(&s, dng, raw((int)token));
        struct camera_event one = expect(&s, CAMERA_OBJECT), two = expect(&s, CAMERA_OBJECT);
        assert_int_equal(one.token, token);
        assert_int_equal(two.token, token);
        assert_int_equal(one.object.role + two.object.role, FILE_RAW + FILE_JPEG);
        expect(&s, CAMERA_COMPLETE);
        int32_t held;
        assert_int_equal(camera_recount(s.camera, token, &held, NULL), 0);
        assert_int_equal(held, 2);
    }
    struct camera_object o = {.name = "A1.dng"};
    assert_int_equal(camera_fetch(s.camera, 1, &o, NULL), 0); /* long after: from the disk */
    struct camera_event ev = expect(&s, CAMERA_FETCHED);
    assert_int_equal(ev.byte_count, r.n);
    assert_memory_equal(ev.bytes, r.p, r.n);
    mem_free(ev.bytes);
    free(r.p);
    close_subject(&s);
}

static void a_mate_that_does_not_come_is_told_and_not_waited_for_forever(void **state)
{
    (void)state;
    struct subject s;
    open_subject(&s);
    s.spec.raw_and_jpeg = true;
    ask(&s, 1);
    put(&s, "a.jpg", picture(1, 0));
    const int64_t begun = sched_now_us(s.sched);
    expect(&s, CAMERA_OBJECT);
    assert_true(sched_now_us(s.sched) - begun > 5000000);
    assert_true(sched_now_us(s.sched) - begun < 20000000);
    expect(&s, CAMERA_COMPLETE);
    assert_non_null(strstr(s.told, "a.jpg came without its raw"));
    ask(&s, 2); /* it comes after all, and is not taken for the next frame */
    put(&s, "a.dng", raw(1));
    expect_quiet(&s, 5000000);
    assert_non_null(strstr(s.told, "a.dng came after its frame was taken"));
    close_subject(&s);
}

/* ---- nothing comes */

static void when_nothing_comes_it_says_so_in_time(void **state)
{
    (void)state;
    struct subject s;
    open_subject(&s);
    ask(&s, 1);
    const int64_t begun = sched_now_us(s.sched);
    struct camera_event ev = expect(&s, CAMERA_FAILED);
    assert_int_equal(ev.why.code, E_TIMEOUT);
    assert_int_equal(sched_now_us(s.sched) - begun, 60000000);
    assert_non_null(strstr(ev.why.text, "no frame came into"));
    assert_non_null(strstr(ev.why.text, s.other.dir));
    ask(&s, 2);
    struct bytes b = picture(1, 0);
    other_write(&s.other, "a.jpg", b.p, b.n / 2); /* and never goes on: the card is full, say */
    ev = expect(&s, CAMERA_FAILED);
    assert_int_equal(ev.why.code, E_TIMEOUT);
    assert_non_null(strstr(ev.why.text, "a.jpg came and was not whole"));
    shoot(&s, 3, "b.jpg", 2, 0);
    free(b.p);
    close_subject(&s);
}

static void a_folder_that_goes_away_is_told(void **state)
{
    (void)state;
    for (int how = 0; how < 3; how++) {
        struct subject s;
        struct err why;
        char away[700];
        open_subject(&s);
        snprintf(away, sizeof away, "%s-away", s.other.dir);
        if (how != 2) ask(&s, 1);
        if (how) assert_int_equal(rename(s.other.dir, away), 0);
        if (!how) assert_int_equal(rmdir(s.other.dir), 0);
        if (how == 2) assert_int_equal(camera_trigger(s.camera, 1, &why), E_IO);
        struct camera_event ev = expect(&s, CAMERA_GONE);
        assert_non_null(strstr(ev.why.text, "the folder that the frames come into is gone"));
        assert_int_equal(camera_trigger(s.camera, 2, &why), E_IO);
        expect_quiet(&s, 120000000);
        close_subject(&s);
    }
}

/* ---- the other program's files */

static void nothing_in_the_folder_is_touched(void **state)
{
    (void)state;
    struct subject s;
    open_subject(&s);
    put(&s, "old.jpg", picture(7, 0));
    shoot(&s, 1, "a.jpg", 1, 0);
    struct bytes b = picture(2, 0);
    ask(&s, 2);
    other_put(&s.other, "half.jpg", b.p, b.n / 2);
    assert_int_equal(
        in_shell("cd %s && stat -c '%%n %%s %%i %%a %%Y %%Z %%h' * >../before && sha256sum * >>../before",
                 s.other.dir),
        0);
    expect(&s, CAMERA_FAILED);
    shoot(&s, 3, "b.jpg", 3, 0);
    assert_int_equal(
        in_shell("cd %s && rm b.jpg && stat -c '%%n %%s %%i %%a %%Y %%Z %%h' * >../after && sha256sum * "
                 ">>../after && cmp ../before ../after",
                 s.other.dir),
        0);
    free(b.p);
    close_subject(&s);
}

static void a_second_run_is_kept_out_and_told_by_whom(void **state)
{
    (void)state;
    struct subject s;
    struct err why = {0};
    char wanted[40];
    int ready[2], done[2];
    char byte;
    open_unseen(&s);
    assert_int_equal(pipe(ready) | pipe(done), 0);
    const pid_t child = fork();
    if (!child) {
        look_again(&s);
        if (write(ready[1], "x", 1) != 1 || read(done[0], &byte, 1) < 0) _exit(1);
        _exit(0);
    }
    assert_int_equal(read(ready[0], &byte, 1), 1);
    const struct camera_folder_opts o = {.spec = &s.spec, .sched = s.sched, .eyes = &s.other.eyes};
    assert_int_equal(camera_folder_open(&o, &s.camera, &why), E_STATE);
    snprintf(wanted, sizeof wanted, "(process %d)", (int)child);
    assert_non_null(strstr(why.text, wanted));
    assert_non_null(strstr(why.text, s.other.dir));
    assert_int_equal(write(done[1], "x", 1), 1);
    assert_int_equal(waitpid(child, NULL, 0), child);
    look_again(&s); /* it has gone */
    for (int i = 0; i < 2; i++)
        close(ready[i]), close(done[i]);
    close_subject(&s);
}

static void a_folder_that_is_none_is_refused(void **state)
{
    (void)state;
    struct subject s;
    struct err why;
    open_unseen(&s);
    const struct camera_folder_opts o = {.spec = &s.spec, .sched = s.sched, .eyes = &s.other.eyes};
    strcat(s.spec.folder, "/none");
    assert_int_equal(camera_folder_open(&o, &s.camera, &why), E_INPUT);
    assert_non_null(strstr(why.text, "make it, or name another"));
    close_subject(&s);
}

/* ---- a later run asks what came of a trigger */

static int32_t recount(struct subject *s, uint64_t token, int64_t since, const char *name, int64_t bytes)
{
    int32_t n = 99;
    const struct camera_memory m = {since, name, bytes};
    camera_remind(s->camera, token, &m);
    assert_int_equal(camera_recount(s->camera, token, &n, NULL), 0);
    return n;
}

static void a_later_run_tells_what_came_and_no_more_than_it_can_know(void **state)
{
    (void)state;
    struct subject s;
    struct camera_object o;
    int32_t n;
    open_unseen(&s);
    put(&s, "before.jpg", picture(8, 0));
    pass(&s, 10000000);
    const int64_t asked = sched_wall_us(s.sched);
    look_again(&s);
    assert_int_equal(recount(&s, 77, asked, "", 0), 0); /* nothing has come since */
    assert_int_equal(camera_recount(s.camera, 76, &n, NULL), 0);
    assert_int_equal(n, -1); /* of that one nothing is known */
    camera_close(s.camera);
    pass(&s, 1000000);
    struct bytes b = picture(1, 0);
    other_put(&s.other, "a.jpg", b.p, b.n);
    look_again(&s);
    assert_int_equal(recount(&s, 77, asked, "", 0), -1); /* its frame, or a test shot after the crash? */
    assert_int_equal(recount(&s, 77, asked, "a.jpg", (int64_t)b.n), 1);
    assert_int_equal(camera_held(s.camera, 77, &o, 1, &n, NULL), 0);
    assert_int_equal(n, 1);
    assert_int_equal(camera_fetch(s.camera, 77, &o, NULL), 0);
    struct camera_event ev = expect(&s, CAMERA_FETCHED);
    assert_int_equal(ev.byte_count, b.n);
    mem_free(ev.bytes);
    assert_int_equal(recount(&s, 77, asked, "a.jpg", (int64_t)b.n + 1), -1); /* another file by that name */
    assert_int_equal(recount(&s, 77, asked, "gone.jpg", 5), 0);
    free(b.p);
    close_subject(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_file_that_grows_is_waited_for),
        cmocka_unit_test(a_whole_file_that_is_still_open_is_waited_for),
        cmocka_unit_test(a_file_that_gets_its_name_when_it_is_whole_is_taken),
        cmocka_unit_test(a_picture_cut_short_is_no_frame_and_is_told),
        cmocka_unit_test(what_was_there_before_is_not_taken),
        cmocka_unit_test(what_comes_between_two_frames_is_left_and_told),
        cmocka_unit_test(two_frames_for_one_are_none),
        cmocka_unit_test(what_was_taken_before_it_was_asked_for_is_told_by_its_clock),
        cmocka_unit_test(the_same_picture_once_more_is_no_frame),
        cmocka_unit_test(a_name_may_come_again_with_another_picture),
        cmocka_unit_test(what_is_no_picture_is_left_and_told_once),
        cmocka_unit_test(a_raw_and_its_jpeg_are_one_frame),
        cmocka_unit_test(a_mate_that_does_not_come_is_told_and_not_waited_for_forever),
        cmocka_unit_test(when_nothing_comes_it_says_so_in_time),
        cmocka_unit_test(a_folder_that_goes_away_is_told),
        cmocka_unit_test(nothing_in_the_folder_is_touched),
        cmocka_unit_test(a_second_run_is_kept_out_and_told_by_whom),
        cmocka_unit_test(a_folder_that_is_none_is_refused),
        cmocka_unit_test(a_later_run_tells_what_came_and_no_more_than_it_can_know),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
