/* The tables of DEVELOPERS.md that programs print (tests/tables, `make tables`): each is printed again, and
 * the paper says the same, to within what another machine's arithmetic may differ by. */
#include "tests/support/test.h"

#include <glob.h>
#include <stdbool.h>

#define PAPER "DEVELOPERS.md"
#define ROOM  (1 << 18)
#define OFF   0.1    /* of a number */
#define LEAST 0.0031 /* three of the last digit that is printed */

static char *text_of(FILE *f)
{
    assert_non_null(f);
    char *text = malloc(ROOM);
    const size_t n = fread(text, 1, ROOM - 1, f);
    assert_true(n < ROOM - 1);
    text[n] = '\0';
    return text;
}

static char *paper(void)
{
    FILE *f = fopen(PAPER, "rb");
    char *text = text_of(f);
    fclose(f);
    return text;
}

/* Both texts from here on, word by word: numbers may differ a little, all else may not. */
static bool same(const char *a, const char *b)
{
    for (;;) {
        a += strspn(a, " \n");
        b += strspn(b, " \n");
        if (!*a || !*b) return !*a && !*b;
        char *a_end, *b_end;
        const double x = strtod(a, &a_end), y = strtod(b, &b_end);
        const size_t n = strcspn(a, " \n");
        if (a_end != a && b_end != b) {
            if (fabs(x - y) > fmax(LEAST, OFF * fabs(x))) return false;
            a = a_end;
            b = b_end;
        } else if (strncmp(a, b, n) == 0 && n == strcspn(b, " \n")) {
            a += n;
            b += n;
        } else {
            return false;
        }
    }
}

/* The rows between the two lines of a table; cut out of the text. */
static char *rows_of(char *text, const char *name)
{
    char first[120], last[120];
    snprintf(first, sizeof first, "\n<!-- table %s, from make tables -->\n", name);
    snprintf(last, sizeof last, "\n<!-- end of table %s -->\n", name);
    char *from = strstr(text, first), *to = from ? strstr(from, last) : NULL;
    if (!to) fail_msg("%s has no place for the table %s", PAPER, name);
    *to = '\0';
    return from + strlen(first);
}

static void check_table(const char *program)
{
    const char *name = strrchr(program, '/') + strlen("/table_");
    char *text = paper();
    FILE *f = popen(program, "r");
    char *printed = text_of(f);
    assert_int_equal(pclose(f), 0);
    const char *written = rows_of(text, name);
    if (!same(printed, written))
        fail_msg("%s is out of date; run make tables. It says%s\nbut the program\n%s", PAPER, written,
                 printed);
    printf("measured: the table %s, printed again:\n%s", name, printed);
    free(text);
    free(printed);
}

static void each_table_says_what_its_program_prints(void **state)
{
    (void)state;
    char pattern[512];
    const char *build = getenv("STADDLE_BUILD");
    snprintf(pattern, sizeof pattern, "%s/tests/tables/table_*", build ? build : "build");
    glob_t found;
    assert_int_equal(glob(pattern, 0, NULL, &found), 0);
    for (size_t i = 0; i < found.gl_pathc; i++)
        if (!strchr(strrchr(found.gl_pathv[i], '/'), '.')) check_table(found.gl_pathv[i]);
    globfree(&found);
}

static void each_place_for_a_table_has_a_program(void **state)
{
    (void)state;
    char *text = paper(), path[512], name[64];
    for (char *at = text; (at = strstr(at, "\n<!-- table ")); at++) {
        assert_int_equal(sscanf(at, "\n<!-- table %63[a-z_]", name), 1);
        snprintf(path, sizeof path, "tests/tables/table_%s.c", name);
        FILE *f = fopen(path, "rb");
        if (!f) fail_msg("%s has a place for the table %s; %s is missing", PAPER, name, path);
        fclose(f);
    }
    free(text);
}

static void a_wrong_figure_is_seen(void **state)
{
    (void)state;
    assert_true(same("| sharp | 18 | 0.007 |\n", "\n| sharp | 18 | 0.009 |\n"));
    assert_false(same("| sharp | 18 | 0.007 |\n", "| sharp | 18 | 0.011 |\n"));
    assert_false(same("| sharp | 18 | 0.007 |\n", "| soft | 18 | 0.007 |\n"));
    assert_false(same("| sharp | 18 | 0.700 |\n", "| sharp | 18 | 0.600 |\n"));
    assert_false(same("| sharp | 18 |\n", "| sharp | 18 |\n| soft | 18 |\n"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_wrong_figure_is_seen),
        cmocka_unit_test(each_place_for_a_table_has_a_program),
        cmocka_unit_test(each_table_says_what_its_program_prints),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
