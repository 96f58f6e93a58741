/* A camera's settings by the trade's names, whatever its family calls them. The words of the families are
 * those of the camera library; common practice, no source. */
#include "tests/support/test.h"

#include "base/err.h"
#include "device/trade.h"

/* One camera's settings, a row each: name, now, choices ('|' between them; NULL: text). */
struct row {
    const char *name, *is, *can;
};

static void tell(struct told *t, const struct row *rows, size_t count)
{
    *t = (struct told){0};
    for (size_t i = 0; i < count; i++)
        assert_int_equal(
            told_add(t, rows[i].name, rows[i].can ? TOLD_CHOICE : TOLD_TEXT, rows[i].is, rows[i].can, NULL),
            0);
}
#define TELL(t, rows) tell((t), (rows), sizeof(rows) / sizeof *(rows))

/* What `wanted` comes to in the camera's words; "" when it is refused. */
static const char *chosen(const struct told *t, enum trade trade, const char *wanted, struct err *why)
{
    static told_word word;
    const struct told_setting *row = trade_find(t, trade);
    if (!row) return "none";
    return trade_choose(row, trade, wanted, word, why) ? "" : word;
}

static const struct row seconds_family[] = {
    {"shutterspeed", "0.2500s", "0.0001s|0.0166s|0.0333s|0.2500s|0.3333s|1.0000s|4.0000s"},
    {"f-number", "f/5.6", "f/2.8|f/5.6|f/6.3|f/8"},
    {"iso", "100", "100|200|400"},
    {"whitebalance", "Automatic", "Automatic|Daylight|Fluorescent|Tungsten|Flash"},
    {"imagequality", "JPEG Basic", "JPEG Basic|JPEG Normal|JPEG Fine|NEF (Raw)|NEF+Basic|NEF+Fine"},
    {"capturemode", "Single Shot", "Single Shot|Burst|Timer"},
    {"focusmode", "AF-S", "Manual|AF-S|AF-C"},
};

static const struct row fraction_family[] = {
    {"shutterspeed", "bulb", "bulb|30|1.3|0.3|1/4|1/45|1/60|1/90"},
    {"aperture", "5.6", "2.8|5.6|9.5|11"},
    {"iso", "Auto", "Auto|100|200"},
    {"whitebalance", "Shadow", "Auto|Shadow|Color Temperature|Manual"},
    {"imageformat", "RAW + Large Fine JPEG", "Large Fine JPEG|Small Fine JPEG|RAW|RAW + Large Fine JPEG"},
    {"drivemode", "Timer 10 sec", "Single|Continuous|Timer 10 sec|Single silent"},
    {"focusmode", "AI Servo", "One Shot|AI Focus|AI Servo|Manual"},
};

static void values_are_met_by_their_third(void **state)
{
    (void)state;
    struct told t;
    struct err why = {0};
    TELL(&t, seconds_family);
    static const char *const cases[][2] = {{"1/60", "0.0166s"}, {"1/30", "0.0333s"},   {"1/4", "0.2500s"},
                                           {"0.25", "0.2500s"}, {"4s", "4.0000s"},     {"1", "1.0000s"},
                                           {"0.3", "0.3333s"},  {"1/10000", "0.0001s"}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++)
        assert_string_equal(chosen(&t, TRADE_SHUTTER, cases[i][0], &why), cases[i][1]);
    assert_string_equal(chosen(&t, TRADE_APERTURE, "8", &why), "f/8");
    assert_string_equal(chosen(&t, TRADE_APERTURE, "f/6.3", &why), "f/6.3");
    assert_string_equal(chosen(&t, TRADE_ISO, "ISO 400", &why), "400");
    assert_string_equal(chosen(&t, TRADE_SHUTTER, "1/125", &why), "");
    assert_int_equal(why.code, E_UNSUPPORTED);
    assert_non_null(strstr(why.text, "the nearest is 1/60"));
    assert_string_equal(chosen(&t, TRADE_SHUTTER, "quick", &why), "");
    assert_int_equal(why.code, E_INPUT);
    told_clear(&t);
}

/* 1/45 and f/9.5 are of the half-stop series: no third is theirs, so they keep their own mark. */
static void half_stops_keep_their_own_mark(void **state)
{
    (void)state;
    struct told t;
    struct err why = {0};
    told_word said;
    TELL(&t, fraction_family);
    assert_string_equal(chosen(&t, TRADE_SHUTTER, "1/45", &why), "1/45");
    assert_string_equal(chosen(&t, TRADE_APERTURE, "9.5", &why), "9.5");
    trade_say(TRADE_SHUTTER, "1/45", said);
    assert_string_equal(said, "1/45");
    trade_say(TRADE_APERTURE, "9.5", said);
    assert_string_equal(said, "f/9.5");
    trade_say(TRADE_APERTURE, "5.6", said);
    assert_string_equal(said, "f/5.6");
    trade_say(TRADE_SHUTTER, "0.0166s", said);
    assert_string_equal(said, "1/60");
    assert_string_equal(chosen(&t, TRADE_SHUTTER, "bulb", &why), "bulb");
    assert_string_equal(chosen(&t, TRADE_ISO, "auto", &why), "Auto");
    told_clear(&t);
}

static void words_are_met_by_their_meaning(void **state)
{
    (void)state;
    struct told s, f;
    struct err why = {0};
    TELL(&s, seconds_family);
    TELL(&f, fraction_family);
    assert_string_equal(chosen(&s, TRADE_WHITE_BALANCE, "daylight", &why), "Daylight");
    assert_string_equal(chosen(&s, TRADE_WHITE_BALANCE, "auto", &why), "Automatic");
    assert_string_equal(chosen(&f, TRADE_WHITE_BALANCE, "shade", &why), "Shadow");
    assert_string_equal(chosen(&f, TRADE_WHITE_BALANCE, "kelvin", &why), "Color Temperature");
    assert_string_equal(chosen(&s, TRADE_FORMAT, "raw", &why), "NEF (Raw)");
    assert_string_equal(chosen(&s, TRADE_FORMAT, "jpeg", &why), "JPEG Fine");
    assert_string_equal(chosen(&s, TRADE_FORMAT, "raw+jpeg", &why), "NEF+Fine");
    assert_string_equal(chosen(&f, TRADE_FORMAT, "jpeg", &why), "Large Fine JPEG");
    assert_string_equal(chosen(&f, TRADE_FORMAT, "raw", &why), "RAW");
    assert_string_equal(chosen(&f, TRADE_FORMAT, "raw+jpeg", &why), "RAW + Large Fine JPEG");
    assert_string_equal(chosen(&s, TRADE_DRIVE, "single", &why), "Single Shot");
    assert_string_equal(chosen(&s, TRADE_DRIVE, "continuous", &why), "Burst");
    assert_string_equal(chosen(&f, TRADE_DRIVE, "timer", &why), "Timer 10 sec");
    assert_string_equal(chosen(&f, TRADE_DRIVE, "silent", &why), "Single silent");
    assert_string_equal(chosen(&s, TRADE_FOCUS, "manual", &why), "Manual");
    assert_string_equal(chosen(&f, TRADE_FOCUS, "single", &why), "One Shot");
    assert_string_equal(chosen(&f, TRADE_FOCUS, "continuous", &why), "AI Servo");
    assert_string_equal(chosen(&s, TRADE_WHITE_BALANCE, "moonlight", &why), "");
    assert_non_null(strstr(why.text, "it has auto, daylight, fluorescent, tungsten, flash"));
    told_clear(&s);
    told_clear(&f);
}

/* A camera of no known family: choices that are times are the shutter's, whatever they are called. */
static void settings_are_found_by_their_values(void **state)
{
    (void)state;
    static const struct row strange[] = {
        {"d00d", "1/60", "1/30|1/60|1/125|2|bulb"},
        {"d00e", "f/4", "f/2.8|f/4|f/5.6"},
        {"iso", "High", "High|Low"}, /* no number among them: no ISO that could be set */
        {"drivemode", "3", NULL},
    };
    struct told t;
    TELL(&t, strange);
    assert_string_equal(trade_find(&t, TRADE_SHUTTER)->name, "d00d");
    assert_string_equal(trade_find(&t, TRADE_APERTURE)->name, "d00e");
    assert_null(trade_find(&t, TRADE_ISO));
    assert_null(trade_find(&t, TRADE_DRIVE));
    assert_null(trade_find(&t, TRADE_BULB));
    told_clear(&t);
}

/* Of two that a camera has for one thing, that which can be set. */
static void the_one_that_can_be_set_is_taken(void **state)
{
    (void)state;
    static const struct row both[] = {{"focusmode", "AF-S", "Manual|AF-S"},
                                      {"focusmode2", "AF-S", "Manual|AF-S"}};
    struct told t;
    struct err why = {0};
    told_word word;
    TELL(&t, both);
    t.rows[0].fixed = true;
    assert_string_equal(trade_find(&t, TRADE_FOCUS)->name, "focusmode2");
    t.rows[1].fixed = true;
    assert_string_equal(trade_find(&t, TRADE_FOCUS)->name, "focusmode");
    assert_int_equal(trade_choose(&t.rows[0], TRADE_FOCUS, "manual", word, &why), E_UNSUPPORTED);
    told_clear(&t);
}

/* Every body seems to have bulb; it is believed where the word stands among the times. */
static void bulb_is_believed_where_the_times_have_it(void **state)
{
    (void)state;
    struct told s, f;
    TELL(&s, seconds_family);
    TELL(&f, fraction_family);
    assert_int_equal(told_add(&s, "bulb", TOLD_SWITCH, "0", NULL, NULL), 0);
    assert_int_equal(told_add(&f, "bulb", TOLD_SWITCH, "0", NULL, NULL), 0);
    assert_null(trade_find(&s, TRADE_BULB));
    assert_non_null(trade_find(&f, TRADE_BULB));
    told_clear(&s);
    told_clear(&f);
}

static void what_the_camera_program_answers_is_read(void **state)
{
    (void)state;
    struct told t;
    struct err why = {0};
    json_t *o =
        json_pack("{s:s, s:I, s:[{s:s, s:s, s:b, s:s, s:[s, s]}, {s:s, s:s}, {s:s, s:s, s:s}, {s:i}]}",
                  "model", "Plain", "free_kb", (json_int_t)2000, "settings", "name", "iso", "kind", "choice",
                  "fixed", 1, "is", "100", "can", "100", "200", "name", "odd", "kind", "unheard-of", "name",
                  "when", "kind", "date", "is", "978379200", "name", 7);
    assert_non_null(o);
    assert_int_equal(told_read(o, &t, &why), 0);
    assert_int_equal(t.count, 2);
    assert_int_equal(t.free_bytes, 2048000);
    assert_int_equal(t.free_frames, TOLD_UNKNOWN);
    assert_true(told_find(&t, "ISO")->fixed);
    assert_string_equal(told_find(&t, "iso")->can[1], "200");
    assert_int_equal(told_find(&t, "when")->kind, TOLD_DATE);
    told_clear(&t);
    json_decref(o);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(values_are_met_by_their_third),
        cmocka_unit_test(half_stops_keep_their_own_mark),
        cmocka_unit_test(words_are_met_by_their_meaning),
        cmocka_unit_test(settings_are_found_by_their_values),
        cmocka_unit_test(bulb_is_believed_where_the_times_have_it),
        cmocka_unit_test(the_one_that_can_be_set_is_taken),
        cmocka_unit_test(what_the_camera_program_answers_is_read),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
