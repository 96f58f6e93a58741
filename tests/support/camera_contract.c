#include "tests/support/camera_contract.h"

#include <string.h>

#include "base/mem.h"
#include "image/decode.h"
#include "tests/support/test.h"

static const struct camera_case *CAMERAS;
static int CAMERA_COUNT;
#define FOR_EACH_CAMERA(k) for (const struct camera_case *k = CAMERAS; k < CAMERAS + CAMERA_COUNT; k++)

static void on_notice(void *arg)
{
    ((struct camera_subject *)arg)->noticed = true;
}

void camera_subject_listen(struct camera_subject *s)
{
    s->camera->notice = on_notice;
    s->camera->notice_arg = s;
}

void camera_subject_ready(struct camera_subject *s)
{
    struct camera_settings settings = {.exposure_us = 250000};
    assert_int_equal(camera_set(s->camera, &settings, NULL), 0);
    assert_int_equal(camera_arm(s->camera, NULL), 0);
}

struct camera_event camera_subject_next(struct camera_subject *s, int64_t until_us)
{
    struct camera_event ev;
    for (;;) {
        assert_int_equal(camera_next_event(s->camera, &ev, NULL), 0);
        if (ev.kind != CAMERA_NOTHING) return ev;
        s->noticed = false;
        while (!s->noticed)
            if (!sched_step(s->sched, until_us)) return ev;
    }
}

struct camera_event camera_subject_expect(struct camera_subject *s, enum camera_event_kind kind,
                                          uint64_t token)
{
    struct camera_event ev = camera_subject_next(s, sched_now_us(s->sched) + 60000000);
    if (ev.kind == CAMERA_REMARK || ev.kind == CAMERA_FAILED) print_message("%s\n", ev.why.text);
    assert_int_equal(ev.kind, kind);
    assert_int_equal(ev.token, token);
    return ev;
}

static bool hands_over(const struct camera_subject *s)
{
    return !(camera_caps(s->camera) & CAMERA_KEEPS_FILES);
}

struct camera_event camera_subject_expect_exposure(struct camera_subject *s, uint64_t token)
{
    if (camera_caps(s->camera) & CAMERA_SAYS_EXPOSED) camera_subject_expect(s, CAMERA_EXPOSED, token);
    if (!hands_over(s)) return camera_subject_expect(s, CAMERA_COMPLETE, token);
    struct camera_event ev = camera_subject_expect(s, CAMERA_OBJECT, token);
    assert_true(ev.object.bytes > 0 && ev.object.name[0]);
    camera_subject_expect(s, CAMERA_COMPLETE, token);
    return ev;
}

static void a_frame_comes_in_the_order_of_the_contract(void **state)
{
    (void)state;
    FOR_EACH_CAMERA(k)
    {
        struct camera_subject s;
        struct camera_facts facts;
        k->open(&s);
        assert_int_equal(camera_describe(s.camera, &facts, NULL), 0);
        camera_subject_ready(&s);
        for (uint64_t token = 1; token <= 3; token++) {
            assert_int_equal(camera_trigger(s.camera, token, NULL), 0);
            struct camera_event ev = camera_subject_expect_exposure(&s, token);
            if (!hands_over(&s)) {
                assert_int_equal(k->released(&s), token); /* the truth: once each */
                continue;
            }
            assert_int_equal(camera_fetch(s.camera, token, &ev.object, NULL), 0);
            struct camera_event got = camera_subject_expect(&s, CAMERA_FETCHED, token);
            assert_int_equal(got.byte_count, ev.object.bytes);
            assert_int_equal(got.byte_count, got.object.bytes);
            struct image_facts pic;
            assert_int_equal(image_read_facts("frame", got.bytes, (size_t)got.byte_count, &pic, NULL), 0);
            assert_int_equal(pic.width_px, facts.width_px);
            assert_int_equal(pic.height_px, facts.height_px);
            mem_free(got.bytes);
        }
        assert_int_equal(camera_subject_next(&s, sched_now_us(s.sched) + k->silence_us).kind, CAMERA_NOTHING);
        k->close(&s);
    }
}

static void what_is_held_is_told_by_the_token(void **state)
{
    (void)state;
    FOR_EACH_CAMERA(k)
    {
        struct camera_subject s;
        struct camera_object objects[FRAME_FILES_MOST];
        int32_t count;
        k->open(&s);
        camera_subject_ready(&s);
        for (uint64_t token = 5; token <= 6; token++) {
            assert_int_equal(camera_trigger(s.camera, token, NULL), 0);
            camera_subject_expect_exposure(&s, token);
        }
        for (uint64_t token = 5; token <= 6; token++) {
            assert_int_equal(camera_recount(s.camera, token, &count, NULL), 0);
            if (!hands_over(&s)) assert_int_equal(count, -1); /* nobody can tell */
            if (!hands_over(&s) || (token == 5 && count == -1))
                continue; /* may have the last one only in mind */
            assert_int_equal(count, 1);
            assert_int_equal(camera_held(s.camera, token, objects, FRAME_FILES_MOST, &count, NULL), 0);
            assert_int_equal(count, 1);
            assert_int_equal(camera_fetch(s.camera, token, &objects[0], NULL), 0);
            struct camera_event got = camera_subject_expect(&s, CAMERA_FETCHED, token);
            assert_int_equal(got.byte_count, objects[0].bytes);
            mem_free(got.bytes);
        }
        k->close(&s);
    }
}

/* Asked in the middle of an exposure, or of the wait for others, it is over. */
static void a_recount_ends_the_exposure(void **state)
{
    (void)state;
    FOR_EACH_CAMERA(k)
    {
        struct camera_subject s;
        int32_t count = 9;
        if (!k->mute) continue;
        k->open(&s);
        camera_subject_ready(&s);
        k->mute(&s);
        assert_int_equal(camera_trigger(s.camera, 1, NULL), 0);
        assert_int_equal(camera_subject_next(&s, sched_now_us(s.sched) + k->silence_us / 4).kind,
                         CAMERA_NOTHING);
        assert_int_equal(camera_recount(s.camera, 1, &count, NULL), 0);
        assert_int_equal(count, hands_over(&s) ? k->released(&s) : -1);
        assert_int_equal(camera_trigger(s.camera, 2, NULL), 0);
        camera_subject_expect_exposure(&s, 2);
        k->close(&s);
    }
}

static void one_thing_at_a_time(void **state)
{
    (void)state;
    FOR_EACH_CAMERA(k)
    {
        struct camera_subject s;
        struct err why;
        struct camera_object none = {.name = "nothing"};
        k->open(&s);
        assert_int_equal(camera_trigger(s.camera, 1, &why), E_STATE); /* not armed */
        camera_subject_ready(&s);
        assert_int_equal(camera_trigger(s.camera, 0, &why), E_STATE); /* no token */
        assert_int_equal(camera_trigger(s.camera, 1, &why), 0);
        assert_int_equal(camera_trigger(s.camera, 2, &why), E_STATE);
        assert_int_equal(camera_fetch(s.camera, 1, &none, &why), E_STATE);
        struct camera_event ev = camera_subject_expect_exposure(&s, 1);
        assert_int_equal(camera_trigger(s.camera, 1, &why), E_STATE); /* the token is used */
        assert_int_equal(camera_fetch(s.camera, 1, &none, &why), E_STATE);
        if (!hands_over(&s)) {
            assert_int_equal(camera_trigger(s.camera, 2, &why), 0);
            k->close(&s);
            continue;
        }
        assert_int_equal(camera_fetch(s.camera, 1, &ev.object, &why), 0);
        assert_int_equal(camera_trigger(s.camera, 2, &why), E_STATE); /* during a transfer */
        ev = camera_subject_expect(&s, CAMERA_FETCHED, 1);
        mem_free(ev.bytes);
        assert_int_equal(camera_trigger(s.camera, 2, &why), 0);
        k->close(&s); /* in mid exposure: nothing leaks, nothing is called any more */
    }
}

/* Between exposures, and it is none: the shutter stays shut. */
static void the_live_picture_shows_what_the_lens_sees(void **state)
{
    (void)state;
    FOR_EACH_CAMERA(k)
    {
        struct camera_subject s;
        uint8_t *jpeg = NULL;
        int64_t bytes = 0;
        struct image_facts pic;
        struct err why;
        k->open(&s);
        camera_subject_ready(&s);
        if (k->previews) {
            if (camera_preview(s.camera, &jpeg, &bytes, &why)) fail_msg("%s", why.text);
            assert_int_equal(image_read_facts("live", jpeg, (size_t)bytes, &pic, NULL), 0);
            assert_int_equal(k->released(&s), 0);
            mem_free(jpeg);
        } else {
            assert_int_equal(camera_preview(s.camera, &jpeg, &bytes, &why), E_UNSUPPORTED);
        }
        k->close(&s);
    }
}

int camera_contract(const struct camera_case *cases, int count)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_frame_comes_in_the_order_of_the_contract),
        cmocka_unit_test(what_is_held_is_told_by_the_token),
        cmocka_unit_test(a_recount_ends_the_exposure),
        cmocka_unit_test(one_thing_at_a_time),
        cmocka_unit_test(the_live_picture_shows_what_the_lens_sees),
    };
    CAMERAS = cases;
    CAMERA_COUNT = count;
    return cmocka_run_group_tests_name("camera contract", tests, NULL, NULL);
}
