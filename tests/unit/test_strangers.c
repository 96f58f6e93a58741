/* What searches with damaged input once found (tests/fuzz), one test a fault, named after what was seen. The
 * input itself is a seed: tests/fuzz/corpus/NAME/fixed-... */
#include "tests/support/test.h"

#include "base/mem.h"
#include "config/config.h"
#include "image/cells.h"
#include "image/decode.h"
#include "image/measure_io.h"
#include "staddle/wire.h"
#include "tests/support/picture.h"
#include "tests/support/rail_rig.h"
#include "tests/support/small_stack.h"

/* The cable swallows everything while the queue is full; when the line is found again, a state goes first,
 * and one more call found the queue 'not yet full' and wrote behind it. */
static void one_more_call_after_a_lost_line_does_not_overrun_the_queue(void **state)
{
    struct rig *g = rig_open(&(struct rig_opts){0});
    int refused = 0;
    (void)state;
    assert_true(rig_until(g, AXIS_REST, 1000000));
    g->lose_replies = true;
    for (int i = 0; i < 30; i++)
        refused += axis_drop(g->axis, NULL) == E_STATE;
    assert_true(refused > 0);
    rig_run_us(g, 400000); /* the repeats are over, hello goes unanswered */
    g->lose_replies = false;
    refused = 0;
    for (int i = 0; i < 4000; i++) { /* through hello, the state that goes first, and on */
        refused += axis_drop(g->axis, NULL) == E_STATE;
        rig_run_us(g, 100);
        const enum axis_phase phase = rig_state(g).phase;
        assert_true(phase == AXIS_REST || phase == AXIS_STOPPED);
    }
    assert_true(refused > 0);
    rig_close(g);
}

/* LEN and CRC right, and a NUL behind the word: it was taken for the word alone, and the rail moved. */
static void a_nul_behind_a_word_is_not_that_word(void **state)
{
    struct rig *g = rig_open(&(struct rig_opts){.no_axis = true});
    char line[64];
    (void)state;
    rig_say(g, "hello");
    assert_string_equal(rig_say(g, "here 0"), "ok");
    const char *right = rig_line(3, "jog_ 100 0");
    snprintf(line, sizeof line, "%s", right);
    const size_t count = strlen(line);
    line[9] = '\0';
    uint16_t crc = WIRE_CRC_START;
    for (size_t i = 0; i < count - 5; i++)
        crc = wire_crc(crc, (uint8_t)line[i]);
    snprintf(line + count - 5, 6, "%04x\n", crc);
    g->heard_count = 0;
    native_rail_receive(g->controller, (const uint8_t *)line, count);
    rig_run_us(g, 300000);
    assert_int_equal(g->edges, 0);
    assert_non_null(strstr(g->heard, "no args"));
    rig_close(g);
}

/* The message went to the terminal with the tab in it. */
static void a_control_character_in_a_path_is_refused(void **state)
{
    struct job job;
    struct err why = {0};
    (void)state;
    assert_int_equal(job_parse("magnification: 1\nbench: a\tb.yaml\n", "j.yaml", &job, &why), E_INPUT);
    assert_string_equal(why.text,
                        "j.yaml:2: bench: a?b.yaml holds a control character; write a path of at most "
                        "1023 bytes");
}

/* CRC-32 right, and a picture two thousand million pixels wide: the count of cells overflowed. */
static void measures_of_an_impossible_width_are_refused(void **state)
{
    struct image image = {.width_px = 16, .height_px = 16};
    struct frame_measure m;
    struct err why = {0};
    uint8_t *bytes, pixels[2 * 256] = {0};
    size_t count;
    (void)state;
    image.luma = pixels;
    image.ends = pixels + 256;
    struct cells_space *space = cells_space_new(&why);
    assert_int_equal(cells_measure(space, "made", &image, &m, &why), 0);
    m.width_px = INT32_MAX - 1;
    m.height_px = INT32_MAX - 1;
    m.cell_px = INT32_MAX;
    assert_int_equal(measure_to_bytes(&m, &bytes, &count, &why), 0);
    frame_measure_clear(&m);
    assert_int_equal(measure_from_bytes("f.cells", bytes, count, &m, &why), E_DAMAGED);
    mem_free(bytes);
    cells_space_free(space);
}

/* A damaged directory hides that the preview is a JPEG: the raw library then wrote beyond its own memory. The
 * raw itself is whole, and is developed. */
static void a_preview_of_unknown_compression_is_left_alone(void **state)
{
    enum { WIDE = 40, HIGH = 32 };
    static uint16_t cfa[WIDE * HIGH];
    static uint8_t rgb[WIDE * HIGH * 3];
    const struct exif_says says = {.iso = 100};
    struct image io = {0};
    struct image_facts facts;
    struct err why = {0};
    (void)state;
    for (int i = 0; i < WIDE * HIGH; i++)
        cfa[i] = (uint16_t)(20000 + 100 * (i % WIDE));
    struct bytes preview = jpeg_make(rgb, WIDE, HIGH, &(struct jpeg_how){0});
    struct bytes raw = dng_make(cfa, WIDE, HIGH, &says, preview, WIDE, HIGH);
    assert_int_equal(image_decode_luma("f.dng", raw.p, raw.n, &io, &facts, &why), 0);
    assert_int_equal(io.width_px, WIDE); /* the preview */
    int changed = 0;
    for (size_t i = 0; i + 12 < raw.n; i++) /* Compression, SHORT, of the first directory: 7 is JPEG */
        if (!memcmp(raw.p + i, "\x03\x01\x03\x00\x01\x00\x00\x00\x07\x00", 10)) {
            raw.p[i + 3] = 0x1a; /* a type that does not exist */
            changed++;
        }
    assert_int_equal(changed, 1);
    assert_int_equal(image_decode_luma("f.dng", raw.p, raw.n, &io, &facts, &why), 0);
    assert_int_equal(io.width_px, WIDE / 2); /* developed at half size */
    image_clear(&io);
    free(preview.p);
    free(raw.p);
}

/* A raw without a mosaic is not halved when it is developed; its facts told half the size all the same. */
static void facts_of_a_raw_without_a_mosaic_tell_its_size(void **state)
{
    enum { WIDE = 48, HIGH = 32 };
    static uint16_t gray[WIDE * HIGH];
    const struct exif_says says = {.iso = 100};
    struct image io = {0};
    struct image_facts facts;
    struct err why = {0};
    (void)state;
    for (int i = 0; i < WIDE * HIGH; i++)
        gray[i] = (uint16_t)(20000 + 100 * (i % WIDE));
    struct bytes raw = dng_make(gray, WIDE, HIGH, &says, (struct bytes){0}, 0, 0);
    int changed = 0;
    for (size_t i = 0; i + 12 < raw.n;
         i++) /* PhotometricInterpretation, SHORT: 32803 is CFA, 34892 linear raw */
        if (!memcmp(raw.p + i, "\x06\x01\x03\x00\x01\x00\x00\x00\x23\x80", 10)) {
            memcpy(raw.p + i + 8, "\x4c\x88", 2);
            changed++;
        }
    assert_int_equal(changed, 1);
    assert_int_equal(image_read_facts("f.dng", raw.p, raw.n, &facts, &why), 0);
    assert_int_equal(facts.width_px, WIDE);
    assert_int_equal(facts.height_px, HIGH);
    assert_int_equal(image_decode_luma("f.dng", raw.p, raw.n, &io, &facts, &why), 0);
    assert_int_equal(io.width_px, WIDE);
    assert_int_equal(io.height_px, HIGH);
    image_clear(&io);
    free(raw.p);
}

/* It said only that it was refused. */
static void a_refused_row_says_what_to_do(void **state)
{
    int64_t plan;
    struct err why = {0};
    struct store *st = planned("refused", &plan);
    struct exposure_row e = wish(plan, 1);
    (void)state;
    assert_int_equal(store_exposure_begin(st, &e, &why), E_OK);
    assert_int_equal(store_exposure_begin(st, &e, &why), E_STATE);
    assert_non_null(strchr(why.text, ';'));
    store_close(st);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_more_call_after_a_lost_line_does_not_overrun_the_queue),
        cmocka_unit_test(a_nul_behind_a_word_is_not_that_word),
        cmocka_unit_test(a_control_character_in_a_path_is_refused),
        cmocka_unit_test(measures_of_an_impossible_width_are_refused),
        cmocka_unit_test(a_preview_of_unknown_compression_is_left_alone),
        cmocka_unit_test(facts_of_a_raw_without_a_mosaic_tell_its_size),
        cmocka_unit_test(a_refused_row_says_what_to_do),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
