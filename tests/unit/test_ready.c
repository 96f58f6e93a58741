/* Is the camera set as a stack needs it? Each fact as it should be, wrong, and not told. What should be is
 * common practice, no source; the words are those of the camera library's families. */
#include "tests/support/test.h"

#include "base/err.h"
#include "base/findings.h"
#include "run/ready.h"

#define NOW_US 978379200000000LL /* 2001-01-01T20:00:00Z */

struct line {
    enum ready_fact fact;
    const char *setting, *right, *wrong;
    bool grave;
    const char *code;
};

/* All of them right together are a camera that is ready; each wrong one alone is the one finding. */
static const struct line lines[] = {
    {READY_BATTERY, "batterylevel", "80%", "25%", false, "battery"},
    {READY_BATTERY, "batterylevel", "Full", "8%", true, "battery"},
    {READY_BATTERY, "batterylevel", "50", "Low", true, "battery"},
    {READY_EXPOSURE_MODE, "expprogram", "M", "P", true, "exposure-mode"},
    {READY_EXPOSURE_MODE, "autoexposuremode", "Manual", "AV", true, "exposure-mode"},
    {READY_EXPOSURE_MODE, "autoexposuremodedial", "Bulb", "A_DEP", true, "exposure-mode"},
    {READY_AUTO_ISO, "isoauto", "Off", "On", true, "auto-iso"},
    {READY_AUTO_ISO, "iso", "100", "Auto", true, "auto-iso"},
    {READY_WHITE_BALANCE, "whitebalance", "Daylight", "Automatic", true, "white-balance"},
    {READY_AUTOFOCUS, "focusmode", "Manual", "AF-S", true, "autofocus"},
    {READY_AUTOFOCUS, "focusmode", "Manual", "One Shot", true, "autofocus"},
    {READY_STABILISER, "imagestabilization", "Off", "On", false, "stabiliser"},
    {READY_FORMAT, "imagequality", "JPEG Fine", "JPEG Basic", false, "image-format"},
    {READY_FORMAT, "imageformat", "RAW + Large Fine JPEG", "Small Normal JPEG", false, "image-format"},
    {READY_LONG_EXPOSURE, "longexpnr", "Off", "On", false, "long-exposure"},
    {READY_TONE, "dlighting", "Off", "High", true, "automatic-tone"},
    {READY_DISTORTION, "autodistortioncontrol", "Off", "On", false, "distortion"},
    {READY_DRIVE, "drivemode", "Single", "Timer 10 sec", false, "self-timer"},
    {READY_DRIVE, "capturemode", "Single Shot", "Burst", true, "burst"},
    {READY_BRACKETING, "bracketing", "Off", "On", true, "bracketing"},
    {READY_BRACKETING, "bracketmode", "Bracket off", "AE bracket", true, "bracketing"},
    {READY_REVIEW, "imagereview", "Off", "On", false, "image-review"},
    {READY_POWER_OFF, "autopoweroff", "0", "30", false, "power-off"},
    {READY_POWER_OFF, "autopoweroff", "900", "15", false, "power-off"},
    {READY_CLOCK, "datetime", "978379230", "978390000", false, "clock"},
};
#define LINES (sizeof lines / sizeof *lines)

static const struct ready_job job = {.frames = 100, .exposure_us = 2000000, .frame_every_us = 5000000};

static void add(struct told *t, const char *name, const char *is)
{
    const enum told_kind kind = !strcmp(name, "datetime") ? TOLD_DATE : TOLD_CHOICE;
    assert_int_equal(told_add(t, name, kind, is, kind == TOLD_DATE ? NULL : is, NULL), 0);
}

/* Every first line of a fact, right; but `but` (-1: none) in its stead, wrong, or not told at all. */
static struct told told_with(int but, bool wrong)
{
    struct told t = {.free_bytes = 64000000000, .free_frames = 999, .asked_wall_us = NOW_US};
    bool done[READY_FACTS] = {false};
    if (but >= 0) done[lines[but].fact] = true;
    for (size_t i = 0; i < LINES; i++) {
        if (done[lines[i].fact]) continue;
        done[lines[i].fact] = true;
        add(&t, lines[i].setting, lines[i].right);
    }
    if (but >= 0 && wrong) add(&t, lines[but].setting, lines[but].wrong);
    return t;
}

static struct ready judged(struct told *t, const struct ready_job *j)
{
    struct ready r;
    struct err why = {0};
    if (ready_judge(t, j, &r, &why)) fail_msg("%s", why.text);
    told_clear(t);
    return r;
}

static void a_camera_that_is_ready_is_not_blamed(void **state)
{
    (void)state;
    struct told t = told_with(-1, false);
    struct ready r = judged(&t, &job);
    for (int f = 0; f < READY_FACTS; f++)
        if (r.states[f] != READY_GOOD) fail_msg("%s: %d", ready_name((enum ready_fact)f), (int)r.states[f]);
    assert_int_equal(r.findings.count, 0);
    assert_int_equal(ready_refuse(&r, NULL), 0);
    ready_clear(&r);
}

static void each_of_the_words_for_right_is_right(void **state)
{
    (void)state;
    for (int i = 0; i < (int)LINES; i++) {
        struct told t = told_with(i, false);
        add(&t, lines[i].setting, lines[i].right);
        struct ready r = judged(&t, &job);
        if (r.states[lines[i].fact] != READY_GOOD || r.findings.count)
            fail_msg("%s %s: %d", lines[i].setting, lines[i].right, (int)r.states[lines[i].fact]);
        ready_clear(&r);
    }
}

static void each_wrong_setting_is_one_finding_with_what_to_do(void **state)
{
    (void)state;
    for (int i = 0; i < (int)LINES; i++) {
        struct told t = told_with(i, true);
        struct ready r = judged(&t, &job);
        struct err why = {0};
        if (r.findings.count != 1)
            fail_msg("%s %s: %d findings, the first %s", lines[i].setting, lines[i].wrong,
                     (int)r.findings.count, r.findings.count ? r.findings.rows[0].text : "");
        const struct finding *f = &r.findings.rows[0];
        assert_string_equal(f->code, lines[i].code);
        if (f->grave != lines[i].grave) fail_msg("%s %s: %s", lines[i].setting, lines[i].wrong, f->text);
        assert_true(strlen(f->advice) > 10);
        assert_int_equal(r.states[lines[i].fact], READY_WRONG);
        assert_int_equal(ready_refuse(&r, &why), lines[i].grave ? E_STATE : E_OK);
        if (lines[i].grave) assert_non_null(strstr(why.text, f->text));
        ready_clear(&r);
    }
    print_message("measured: %d settings of the families, each right, wrong and not told\n", (int)LINES);
}

static void what_is_not_told_is_said_so_in_one_line(void **state)
{
    (void)state;
    for (int i = 0; i < (int)LINES; i++) {
        struct told t = told_with(i, false);
        struct ready r = judged(&t, &job);
        assert_int_equal(r.states[lines[i].fact], READY_UNKNOWN);
        assert_int_equal(r.findings.count, 1);
        assert_string_equal(r.findings.rows[0].code, "not-told");
        assert_false(r.findings.rows[0].grave);
        assert_non_null(strstr(r.findings.rows[0].text, ready_name(lines[i].fact)));
        ready_clear(&r);
    }
    struct told nothing = {.free_bytes = TOLD_UNKNOWN, .free_frames = TOLD_UNKNOWN};
    struct ready r = judged(&nothing, &job);
    assert_int_equal(r.findings.count, 1);
    assert_non_null(strstr(r.findings.rows[0].text, "battery, space, shots left, exposure mode"));
    ready_clear(&r);
}

/* A word that the library does not know is no answer. */
static void an_unknown_value_is_not_told(void **state)
{
    (void)state;
    struct told t = told_with(8, false);
    add(&t, "whitebalance", "Unknown value 8013");
    struct ready r = judged(&t, &job);
    assert_int_equal(r.states[READY_WHITE_BALANCE], READY_UNKNOWN);
    ready_clear(&r);
}

static void card(int64_t bytes, int64_t frames, int32_t wanted, int shots_state, bool grave)
{
    struct told t = told_with(-1, false);
    const struct ready_job j = {.frames = wanted};
    t.free_bytes = bytes;
    t.free_frames = frames;
    struct ready r = judged(&t, &j);
    assert_int_equal(r.states[READY_SHOTS_LEFT], shots_state);
    assert_int_equal(findings_grave(&r.findings), grave);
    ready_clear(&r);
}

static void the_card_is_held_against_the_job(void **state)
{
    (void)state;
    card(64000000000, 999, 300, READY_GOOD, false);
    card(64000000000, 110, 100, READY_GOOD, false);
    card(64000000000, 105, 100, READY_WRONG, false); /* no room for what is shot again */
    card(64000000000, 99, 100, READY_WRONG, true);
    card(64000000000, 0, 0, READY_WRONG, true); /* full, whatever the job */
    card(64000000000, TOLD_UNKNOWN, 100, READY_UNKNOWN, false);
    struct told t = told_with(-1, false);
    t.free_bytes = 1000000;
    t.free_frames = TOLD_UNKNOWN;
    struct ready r = judged(&t, &job);
    assert_int_equal(r.states[READY_SPACE], READY_WRONG);
    ready_clear(&r);
    t = told_with(-1, false);
    t.free_frames = 0;
    const struct ready_job to_ram = {.frames = 100, .to_ram = true};
    r = judged(&t, &to_ram);
    assert_int_equal(r.findings.count, 0);
    ready_clear(&r);
}

/* What is done to the JPEG alone can be done again from the raw. */
static void a_raw_makes_automatic_colours_and_tones_less_grave(void **state)
{
    (void)state;
    static const char *const formats[] = {"NEF (Raw)", "RAW + Large Fine JPEG"};
    for (int i = 0; i < 2; i++) {
        struct told t = told_with(12, false);
        add(&t, "imagequality", formats[i]);
        snprintf(t.rows[3].is, TOLD_ROOM, "Automatic");
        assert_string_equal(t.rows[3].name, "whitebalance");
        struct ready r = judged(&t, &job);
        assert_int_equal(r.findings.count, 1);
        assert_string_equal(r.findings.rows[0].code, "white-balance");
        assert_false(r.findings.rows[0].grave);
        ready_clear(&r);
    }
}

static void short_exposures_do_not_mind_the_noise_reduction(void **state)
{
    (void)state;
    struct told t = told_with(14, true);
    const struct ready_job quick = {.frames = 10, .exposure_us = 16667};
    struct ready r = judged(&t, &quick);
    assert_int_equal(r.findings.count, 0);
    assert_int_equal(r.states[READY_LONG_EXPOSURE], READY_GOOD);
    ready_clear(&r);
}

/* The library's own 'autofocus' says whether the release focuses; a lens whose motor is the axis must stand
 * on autofocus. */
static void focus_is_judged_by_what_the_release_does(void **state)
{
    (void)state;
    struct told t = told_with(9, true);
    add(&t, "autofocus", "Off");
    struct ready r = judged(&t, &job);
    assert_int_equal(r.findings.count, 1);
    assert_false(r.findings.rows[0].grave);
    ready_clear(&r);
    t = told_with(9, true);
    struct ready_job driven = job;
    driven.lens_is_axis = true;
    r = judged(&t, &driven);
    assert_int_equal(r.findings.count, 0);
    ready_clear(&r);
    t = told_with(-1, false);
    add(&t, "continuousaf", "On");
    r = judged(&t, &job);
    assert_true(findings_grave(&r.findings));
    ready_clear(&r);
}

/* f/2.8 at magnification 4 works as f/14 (N (1 + m), pupils alike); a body that shows that is not blamed. */
static void the_aperture_is_that_of_the_bench_file(void **state)
{
    (void)state;
    static const struct {
        const char *shows;
        double planned;
        int findings;
    } cases[] = {{"f/2.8", 2.8, 0}, {"2.8", 2.8, 0},      {"f/5.6", 2.8, 1},
                 {"14", 14, 0},     {"as it is", 2.8, 0}, {"f/3.2", 2.8, 0}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct told t = told_with(-1, false);
        struct ready_job j = job;
        j.f_number = cases[i].planned;
        add(&t, "f-number", cases[i].shows);
        struct ready r = judged(&t, &j);
        assert_int_equal(r.findings.count, cases[i].findings);
        ready_clear(&r);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_camera_that_is_ready_is_not_blamed),
        cmocka_unit_test(each_of_the_words_for_right_is_right),
        cmocka_unit_test(each_wrong_setting_is_one_finding_with_what_to_do),
        cmocka_unit_test(what_is_not_told_is_said_so_in_one_line),
        cmocka_unit_test(an_unknown_value_is_not_told),
        cmocka_unit_test(the_card_is_held_against_the_job),
        cmocka_unit_test(a_raw_makes_automatic_colours_and_tones_less_grave),
        cmocka_unit_test(short_exposures_do_not_mind_the_noise_reduction),
        cmocka_unit_test(focus_is_judged_by_what_the_release_does),
        cmocka_unit_test(the_aperture_is_that_of_the_bench_file),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
