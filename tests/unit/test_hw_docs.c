/* The papers to build a rail: each figure in them is computed again here, from the sources named beside;
 * drawings name the pins that pins.md names; links lead somewhere. */
#include "tests/support/test.h"

#include <ctype.h>
#include <glob.h>
#include <stdbool.h>
#include <unistd.h>

#define PI 3.14159265358979323846

static char *whole(const char *path)
{
    static char text[1 << 17];
    FILE *f = fopen(path, "rb");
    if (!f) fail_msg("%s is missing", path);
    size_t n = fread(text, 1, sizeof text - 1, f);
    fclose(f);
    assert_true(n < sizeof text - 1);
    text[n] = 0;
    return text;
}

static void has(const char *text, const char *format, ...)
{
    char wanted[200];
    va_list list;
    va_start(list, format);
    vsnprintf(wanted, sizeof wanted, format, list);
    va_end(list);
    if (!strstr(text, wanted)) fail_msg("not in the papers: %s", wanted);
}

/* The cells of the next table row at *at, or 0 at the end of the text. */
static int next_row(char **at, char cells[10][120])
{
    for (; **at; *at += strcspn(*at, "\n"), *at += **at == '\n') {
        if (**at != '|') continue;
        int n = 0;
        char *p = *at + 1;
        while (*p && *p != '\n' && n < 10) {
            size_t length = strcspn(p, "|\n");
            if (p[length] != '|') break;
            snprintf(cells[n++], 120, "%.*s", (int)(length < 119 ? length : 119), p);
            p += length + 1;
        }
        *at += strcspn(*at, "\n");
        return n;
    }
    return 0;
}

static bool number_in(const char *cell, double *out)
{
    char *end;
    *out = strtod(cell, &end);
    return end != cell && !end[strspn(end, " ")];
}

/* --- current.md --- */

/* The three formulas, as the data sheets of common driver chips give them (two of them known by quotation
 * only), with their published examples: 1 A peak for 0.8, 0.544 and 0.4 V at 0.1, 0.068 and 0.05 Ohm; Vref =
 * I / 2 at 0.1 Ohm; 1.767767 A rms at 0.11 Ohm and 2.5 V. */
static double peak_of(const char *kind, double rs, double vref)
{
    if (!strncmp(kind, " eight", 6)) return vref / (8 * rs);
    if (!strncmp(kind, " five", 5)) return vref / (5 * rs);
    assert_true(!strncmp(kind, " root", 5));
    return 0.325 / (rs + 0.02) * vref / 2.5; /* rms times sqrt 2 */
}

static void the_driver_formulas_give_the_published_examples(void **state)
{
    (void)state;
    assert_near(peak_of(" eight", 0.1, 0.8), 1, 1e-12);
    assert_near(peak_of(" eight", 0.068, 0.544), 1, 1e-12);
    assert_near(peak_of(" eight", 0.05, 0.4), 1, 1e-12);
    assert_near(peak_of(" five", 0.1, 0.5), 1, 1e-12);
    assert_near(peak_of(" root", 0.11, 2.5) / sqrt(2), 1.767767, 1e-6);
    assert_near(peak_of(" root", 0.15, 2.5) / sqrt(2), 1.351822, 1e-6);
}

static int check_current(char *text)
{
    char cells[10][120];
    double rs, vref, peak, rms;
    int rows = 0;
    for (int n; (n = next_row(&text, cells)) != 0;) {
        if (n != 5 || !number_in(cells[1], &rs)) continue;
        if (!number_in(cells[2], &vref) || !number_in(cells[3], &peak) || !number_in(cells[4], &rms))
            return -1;
        if (fabs(peak_of(cells[0], rs, vref) - peak) > 0.00051 || fabs(peak - rms * sqrt(2)) > 0.0013)
            return -1;
        rows++;
    }
    return rows;
}

static void the_current_table_is_right(void **state)
{
    (void)state;
    assert_int_equal(check_current(whole("hw-docs/current.md")), 10);
    /* The check itself: peak and rms exchanged are found. */
    char planted[] = "| eight | 0.100 | 0.800 | 0.707 | 1.000 |\n";
    assert_int_equal(check_current(planted), -1);
}

static void the_worked_current_is_right(void **state)
{
    (void)state;
    char *text = strstr(whole("hw-docs/current.md"), "## Worked example");
    assert_non_null(text);
    const double rated = 0.8, wanted = 0.7 * rated * sqrt(2), rs = 0.1;
    const double full = 5.0 * 1.5 / 11.5, low = 5.0 * 0.75 / 10.75, third = 5.0 * 0.47 / 10.47;
    has(text, "The rating allows %.3f A peak", rated * sqrt(2));
    has(text, "%.3f A peak, %.3f A rms", wanted, wanted / sqrt(2));
    has(text, "Vref = 8 x 0.1 Ohm x %.3f A = %.3f V", wanted, 8 * rs * wanted);
    has(text, "1.5 / 11.5 = %.3f V, so %.3f A peak and %.3f A rms", full, full / (8 * rs),
        full / (8 * rs) / sqrt(2));
    has(text, "0.75 / 10.75 = %.3f V, so %.3f A peak: %.0f %% of the current, %.0f %% of the heat", low,
        low / (8 * rs), 100 * low / full, 100 * low * low / (full * full));
    has(text, "Vref = %.3f V and %.3f A peak", third, third / (8 * rs));
    has(text, "%.3f A rms, half the heat", rated / sqrt(2));
    /* Copper: IEC 60034-1, from memory: (R2 - R1) / R1 = (T2 - T1) / (234.5 + T1). */
    has(text, "%.1f K, so %.1f degrees C", (3.4 / 2.8 - 1) * (234.5 + 20),
        20 + (3.4 / 2.8 - 1) * (234.5 + 20));
    /* Published for a driver chip's converter in eighths of a step: 19.5, 38.2, 55.5, 70.7, 83.1, 92.4, 100
     * %. */
    char eighths[100] = "";
    for (int k = 1; k <= 8; k++)
        snprintf(eighths + strlen(eighths), 16, "%s%.3g", k > 1 ? ", " : "", 100 * sin(k * PI / 16));
    has(text, "%s %%", eighths);
}

/* --- screw.md --- */

/* Coarse pitches of ISO 261; trapezoidal leads by arithmetic. */
static void the_screw_table_is_right(void **state)
{
    (void)state;
    static const struct {
        const char *name;
        double lead;
    } threads[] = {{" M3 ", 0.5}, {" M4 ", 0.7}, {" M6 ", 1}, {" M8 ", 1.25}, {" M10 ", 1.5}};
    char *text = whole("hw-docs/screw.md"), cells[10][120];
    int rows = 0;
    for (int n; (n = next_row(&text, cells)) != 0;) {
        double v[6];
        if (n != 8 || !number_in(cells[1], &v[0])) continue;
        for (int i = 1; i < 6; i++)
            assert_true(number_in(cells[i + 1], &v[i]));
        if (rows < 5) {
            assert_string_equal(cells[0], threads[rows].name);
            assert_near(v[0], threads[rows].lead, 1e-9);
        }
        const double full = 1000 * v[0] / 200;
        assert_near(v[1], full, 1e-9);
        assert_near(v[2], full / 8, 1e-9);
        assert_near(v[3], full / 16, 1e-9);
        assert_near(v[4], 3200 / v[0], 0.0051);
        assert_near(v[5], full / 20, 1e-9);
        rows++;
    }
    assert_int_equal(rows, 8);
}

/* Torque of one microstep as published in a motor maker's note on microstepping (its table 1). */
static void the_worth_of_a_microstep_is_right(void **state)
{
    (void)state;
    static const double published[][2] = {{1, 100},   {2, 70.71}, {4, 38.27},  {8, 19.51}, {16, 9.80},
                                          {32, 4.91}, {64, 2.45}, {128, 1.23}, {256, 0.61}};
    char *text = whole("hw-docs/screw.md"), *at = text, cells[10][120];
    int rows = 0;
    for (int n; (n = next_row(&at, cells)) != 0;) {
        double v[2];
        if (n != 2 || !number_in(cells[0], &v[0]) || !number_in(cells[1], &v[1])) continue;
        assert_near(v[0], published[rows][0], 0);
        assert_near(v[1], published[rows][1], 0);
        assert_near(v[1], 100 * sin(PI / 2 / v[0]), 0.006);
        rows++;
    }
    assert_int_equal(rows, 9);
    has(text, "10 %% of the holding torque costs %.4f full steps", 2 / PI * asin(0.1));
    /* F L / (2 pi e): any handbook of machine elements. */
    has(text, "= %.1f mN m. A motor of 0.2 N m has %.1f mN m", 2 * 9.80665 * 2 / (2 * PI * 0.3),
        200 * sin(PI / 32));
    has(text, "0.3: %.0f N. With lead 0.5 mm: %.0f N", 2 * PI * 0.3 * 0.05 / 0.002,
        2 * PI * 0.3 * 0.05 / 0.0005);
}

static void what_holds_itself_is_right(void **state)
{
    (void)state;
    char *at = strstr(whole("hw-docs/screw.md"), "## Upright"), cells[10][120];
    int rows = 0;
    for (int n; (n = next_row(&at, cells)) != 0;) {
        double v[3] = {0};
        if (n != 4 || !number_in(cells[0], &v[0])) continue;
        assert_true(number_in(cells[1], &v[1]) && number_in(cells[2], &v[2]));
        const double slope = v[0] / (PI * v[1]);
        assert_near(v[2], atan(slope) * 180 / PI, 0.051);
        assert_int_equal(strstr(cells[3], "holds itself") != NULL, slope < 0.15);
        assert_int_equal(strstr(cells[3], "brake") != NULL, slope < 0.15 && slope > 0.075);
        rows++;
    }
    assert_int_equal(rows, 4);
}

/* --- build.md and the drawings --- */

static void the_small_sums_are_right(void **state)
{
    (void)state;
    const double filter_s = 3200 * 4.7e-9;
    char *text = whole("hw-docs/build.md");
    has(text, "4.7 nF) = %.1f kHz", 1 / (2 * PI * filter_s) / 1000);
    has(text, "0.25 W (%.2f W at 24 V)", 24.0 * 24 / 4700);
    assert_near(log(2) / (2 * PI), 0.11, 0.0004); /* damping = 0.11 / n */
    assert_near(5.5148 * 0.02, 0.11, 0.0004); /* published: 5.5148 waves to half at 0.02, a table of decay */
    text = whole("hw-docs/inputs.svg");
    /* The chip's data sheet: high from 0.6 VCC, low up to 0.3 VCC. */
    has(text, "Opening is seen after at most %.0f us", -log(1 - 0.6) * filter_s * 1e6);
    has(text, "closing after %.0f us", -log(0.3) * 1000 * 4.7e-9 * 1e6);
    has(text, "contact carries %.1f mA", 5 / 2.2);
    text = whole("hw-docs/shutter.svg");
    has(text, "330 Ohm = %.1f mA", (5 - 1.2) / 330 * 1000);
    text = whole("hw-docs/reset.svg");
    has(text, "5 V / 101 = %.2f V", 5 / (1 + 10e-6 / 100e-9));
    text = whole("hw-docs/power.svg");
    has(text, "R1 empties C1 in %.0f s", log(24) * 4700 * 470e-6);
}

/* "STEP D9" in a drawing: is there such a row in pins.md? */
static bool pin_is_known(const char *pins, const char *signal, const char *mark)
{
    char wanted[80];
    const char *row = pins;
    snprintf(wanted, sizeof wanted, "\n| %s |", signal);
    if (!(row = strstr(pins, wanted))) return false;
    snprintf(wanted, sizeof wanted, "| %s |", mark);
    const char *cell = strstr(row + 1, wanted), *end = strchr(row + 1, '\n');
    return cell && cell < end;
}

static void drawings_name_the_pins_that_there_are(void **state)
{
    (void)state;
    static const struct {
        const char *drawing, *signal, *mark;
    } labels[] = {{"power", "ENABLE", "D10"}, {"power", "EMERGENCY", "D4"}, {"driver", "STEP", "D9"},
                  {"driver", "DIR", "D8"},    {"driver", "ENABLE", "D10"},  {"driver", "REDUCE", "D11"},
                  {"shutter", "HALF", "A0"},  {"shutter", "FULL", "A1"},    {"rail", "NEAR", "D2"},
                  {"rail", "FAR", "D3"}};
    char pins[1 << 14], path[60];
    snprintf(pins, sizeof pins, "%s", whole("hw-docs/pins.md"));
    for (size_t i = 0; i < sizeof labels / sizeof *labels; i++) {
        snprintf(path, sizeof path, "hw-docs/%s.svg", labels[i].drawing);
        has(whole(path), ">%s %s<", labels[i].signal, labels[i].mark);
        assert_true(pin_is_known(pins, labels[i].signal, labels[i].mark));
    }
    static const char *const inputs[][2] = {{"NEAR", "D2"}, {"FAR", "D3"}, {"EMERGENCY", "D4"}};
    char *text = whole("hw-docs/inputs.svg");
    for (int i = 0; i < 3; i++) {
        char *name;
        char wanted[40];
        snprintf(wanted, sizeof wanted, ">%s<", inputs[i][0]);
        assert_non_null(name = strstr(text, wanted));
        snprintf(wanted, sizeof wanted, ">%s<", inputs[i][1]);
        assert_true(strstr(name, wanted) && strstr(name, wanted) - name < 120);
        assert_true(pin_is_known(pins, inputs[i][0], inputs[i][1]));
    }
    assert_false(pin_is_known(pins, "STEP", "D8")); /* the check itself */
}

/* Any label "WORD Dn" or "WORD An" that the list above does not have would be a drawing nobody checks. */
static void no_drawing_has_another_pin(void **state)
{
    (void)state;
    glob_t found;
    char pins[1 << 14];
    snprintf(pins, sizeof pins, "%s", whole("hw-docs/pins.md"));
    assert_int_equal(glob("hw-docs/*.svg", 0, NULL, &found), 0);
    assert_int_equal(found.gl_pathc, 6);
    for (size_t i = 0; i < found.gl_pathc; i++) {
        char *text = whole(found.gl_pathv[i]), word[40], mark[8];
        has(text, "<title");
        has(text, "<desc");
        assert_null(strstr(text, "href"));
        for (char *p = text; (p = strchr(p, '>')) != NULL; p++)
            if (sscanf(p, ">%39[A-Z] %7[AD0-9]<", word, mark) == 2 && strpbrk(mark, "AD") == mark &&
                isdigit((unsigned char)mark[1]))
                if (!pin_is_known(pins, word, mark)) fail_msg("%s: %s %s", found.gl_pathv[i], word, mark);
    }
    globfree(&found);
}

static void links_lead_somewhere(void **state)
{
    (void)state;
    glob_t found;
    int links = 0;
    assert_int_equal(glob("hw-docs/*.md", 0, NULL, &found), 0);
    for (size_t i = 0; i < found.gl_pathc; i++)
        for (char *p = whole(found.gl_pathv[i]); (p = strstr(p, "](")) != NULL; p++, links++) {
            char path[120];
            snprintf(path, sizeof path, "hw-docs/%.*s", (int)strcspn(p + 2, "#)"), p + 2);
            if (access(path, R_OK)) fail_msg("%s: no %s", found.gl_pathv[i], path);
        }
    globfree(&found);
    assert_true(links >= 20);
}

/* Where one can be hurt it says so, there. */
static void cautions_stand_where_they_belong(void **state)
{
    (void)state;
    static const char *const rows[][2] = {
        {"build.md", "Local electrical and machine-safety codes, and where they ask for it licensed "
                     "practice, come before"},
        {"build.md", "software stop is not an emergency stop"},
        {"build.md", "Never plug or unplug a motor under power"},
        {"build.md", "Crush points"},
        {"build.md", "A vertical rail drops"},
        {"build.md", "Hot motor"},
        {"build.md", "IEC 62368-1"},
        {"build.md", "SELV"},
        {"build.md", "above the spray"},
        {"build.md", "Never a flash's sync contact"},
        {"current.md", "Never plug or unplug a motor under power"},
        {"current.md", "Reduced, never cut"},
        {"screw.md", "drops when its power goes"},
        {"power.svg", "Never plug or unplug the motor under power"},
        {"power.svg", "A vertical rail drops"},
        {"shutter.svg", "At most 12 V"},
        {"shutter.svg", "Never a flash"},
        {"rail.svg", "Crush points"},
        {"inputs.svg", "Limits in software are an addition"},
        {"reset.svg", "it is no safety part"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        char path[60];
        snprintf(path, sizeof path, "hw-docs/%s", rows[i][0]);
        has(whole(path), "%s", rows[i][1]);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_driver_formulas_give_the_published_examples),
        cmocka_unit_test(the_current_table_is_right),
        cmocka_unit_test(the_worked_current_is_right),
        cmocka_unit_test(the_screw_table_is_right),
        cmocka_unit_test(the_worth_of_a_microstep_is_right),
        cmocka_unit_test(what_holds_itself_is_right),
        cmocka_unit_test(the_small_sums_are_right),
        cmocka_unit_test(drawings_name_the_pins_that_there_are),
        cmocka_unit_test(no_drawing_has_another_pin),
        cmocka_unit_test(links_lead_somewhere),
        cmocka_unit_test(cautions_stand_where_they_belong),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
