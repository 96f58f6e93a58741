/* Every verb's --help works, and the manual page lists exactly the verbs and options that the program has. */
#include "tests/support/test.h"

#include <ctype.h>
#include <stdbool.h>

#include "tests/support/program.h"

#define ROOM 128

/* "verb --option META" each; a verb by itself has an empty option. */
struct list {
    char rows[ROOM][96];
    int count;
};

static void add(struct list *l, const char *verb, const char *option)
{
    assert_in_range(l->count, 0, ROOM - 1);
    snprintf(l->rows[l->count++], sizeof l->rows[0], "%.31s%s%.60s", verb, *option ? " " : "", option);
}

static bool holds(const struct list *l, const char *row)
{
    for (int i = 0; i < l->count; i++)
        if (!strcmp(l->rows[i], row)) return true;
    return false;
}

/* Prints and counts what `a` has and `b` lacks. */
static int lacking(const struct list *a, const struct list *b, const char *where)
{
    int n = 0;
    for (int i = 0; i < a->count; i++)
        if (!holds(b, a->rows[i])) {
            print_error("%s lacks: %s\n", where, a->rows[i]);
            n++;
        }
    return n;
}

static const char *const shared[] = {"--json", "--quiet", "--verbose", "--bench FILE", "--help"};

static bool is_shared(const char *option)
{
    for (size_t i = 0; i < sizeof shared / sizeof *shared; i++)
        if (!strcmp(option, shared[i])) return true;
    return false;
}

#define WIDEST 115 /* columns; our choice */

static void lines_fit(const char *verb, const char *text)
{
    for (size_t n; *text; text += n + (text[n] == '\n'))
        if ((n = strcspn(text, "\n")) > WIDEST) fail_msg("%s --help: %.*s: too long", verb, (int)n, text);
}

/* The options of a verb as its --help lists them: two blanks, dashes, and the explanation after two blanks
 * more. */
static void list_help(struct list *l, const char *verb)
{
    struct said r = program("%s --help", verb);
    int shared_seen = 0;
    assert_int_equal(r.status, 0);
    assert_string_equal(r.err, "");
    assert_memory_equal(r.out, "usage: staddle ", 15);
    add(l, verb, "");
    lines_fit(verb, r.out);
    for (char *line = strtok(r.out, "\n"); line; line = strtok(NULL, "\n")) {
        if (strncmp(line, "  --", 4)) continue;
        char *end = strstr(line + 2, "  ");
        if (!end && strchr(line + 2, ' ')) end = strrchr(line + 2, ' '); /* a name too long for its column */
        assert_non_null(end);
        *end = '\0';
        if (is_shared(line + 2))
            shared_seen++;
        else
            add(l, verb, line + 2);
    }
    assert_int_equal(shared_seen, sizeof shared / sizeof *shared);
    said_clear(&r);
}

static void list_program(struct list *l)
{
    struct said r = program("--help");
    char verbs[32][32];
    int count = 0;
    assert_int_equal(r.status, 0);
    char *at = strstr(r.out, "verbs:\n");
    assert_non_null(at);
    for (char *p = at + 7; !strncmp(p, "  ", 2) && count < 32; p = strchr(p, '\n') + 1)
        assert_int_equal(sscanf(p, "%31s", verbs[count++]), 1);
    said_clear(&r);
    for (int i = 0; i < count; i++)
        list_help(l, verbs[i]);
}

/* From the manual's source: .Ss VERB ... and .It Fl Fl NAME [Ar META]. */
static void list_manual(struct list *l, struct list *common, const char *path)
{
    char line[512], verb[32] = "", name[32], meta[32];
    FILE *f = fopen(path, "r");
    assert_non_null(f);
    while (fgets(line, sizeof line, f)) {
        if (!strncmp(line, ".Sh ", 4)) verb[0] = '\0';
        if (sscanf(line, ".Ss %31s", verb) == 1) add(l, verb, "");
        const int n = sscanf(line, ".It Fl Fl %31s Ar %31s", name, meta);
        if (n < 1) continue;
        char option[80];
        snprintf(option, sizeof option, "--%s%s%s", name, n > 1 ? " " : "", n > 1 ? meta : "");
        add(verb[0] ? l : common, verb[0] ? verb : "all", option);
    }
    fclose(f);
}

static void manual_and_help_list_the_same_options(void **state)
{
    (void)state;
    static struct list help, manual, common, wanted;
    list_program(&help);
    list_manual(&manual, &common, "src/staddle.1");
    for (size_t i = 0; i < sizeof shared / sizeof *shared; i++)
        add(&wanted, "all", shared[i]);
    assert_int_equal(lacking(&help, &manual, "the manual"), 0);
    assert_int_equal(lacking(&manual, &help, "the program"), 0);
    assert_int_equal(lacking(&common, &wanted, "the program"), 0);
    assert_int_equal(lacking(&wanted, &common, "the manual"), 0);
    assert_true(help.count > 10);
}

/* The comparison itself: a manual with one option less and another misspelt is found out. */
static void a_planted_difference_is_found(void **state)
{
    (void)state;
    static struct list help, manual, common;
    list_program(&help);
    struct said r = shell(
        "sed -e '/^.It Fl Fl region/d' -e 's/^.It Fl Fl verify/.It Fl Fl verifyx/' src/staddle.1 >%s/wrong.1",
        test_folder());
    assert_int_equal(r.status, 0);
    said_clear(&r);
    char path[300];
    snprintf(path, sizeof path, "%s/wrong.1", test_folder());
    list_manual(&manual, &common, path);
    assert_false(holds(&manual, "check --region X,Y,W,H"));
    assert_true(holds(&help, "check --region X,Y,W,H"));
    assert_false(holds(&help, "handover --verifyx DIR"));
    assert_true(holds(&manual, "handover --verifyx DIR"));
}

static void help_of_a_verb_is_asked_for_in_either_order(void **state)
{
    (void)state;
    struct said a = program("check --help"), b = program("help check"), c = program("-h check");
    assert_memory_equal(a.out, "usage: staddle check", 20);
    assert_string_equal(a.out, b.out);
    assert_string_equal(a.out, c.out);
    said_clear(&a);
    said_clear(&b);
    said_clear(&c);
}

static void manual_is_clean(void **state)
{
    (void)state;
    struct said r = shell("mandoc -T lint src/staddle.1");
    assert_string_equal(r.out, "");
    assert_string_equal(r.err, "");
    assert_int_equal(r.status, 0);
    said_clear(&r);
}

static void unknown_words_are_refused(void **state)
{
    (void)state;
    static const char *const lines[] = {"inspect", "check --regoin 1,2,3,4 x", "check -r x", "import",
                                        "version --json=3"};
    for (size_t i = 0; i < sizeof lines / sizeof *lines; i++) {
        struct said r = program("%s", lines[i]);
        assert_int_equal(r.status, 2);
        assert_string_equal(r.out, "");
        assert_true(strlen(r.err) > 10);
        said_clear(&r);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(manual_and_help_list_the_same_options),
        cmocka_unit_test(a_planted_difference_is_found),
        cmocka_unit_test(help_of_a_verb_is_asked_for_in_either_order),
        cmocka_unit_test(manual_is_clean),
        cmocka_unit_test(unknown_words_are_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
