/* The same run with 1, 2 or 8 workers, in another folder, locale and time zone: equal bytes of frames,
 * measures, JSON, CSV and ordered database dump. As a person starts it: by the program. */
#include "tests/support/test.h"

#include "store/store.h"
#include "tests/support/program.h"
#include "tests/support/small.h"

struct setting {
    const char *folder, *env;
    int workers;
};

static const struct setting settings[] = {
    {"one", "LC_ALL=C TZ=UTC", 1},
    {"two", "LC_ALL=de_DE.UTF-8 LANG=de_DE.UTF-8 TZ=Pacific/Auckland", 2},
    {"a longer name of a folder", "LC_ALL=tr_TR.UTF-8 LANGUAGE=tr TZ=America/St_Johns", 8},
};
#define SETTINGS (sizeof settings / sizeof *settings)

/* Everything that a run leaves behind, as text to be compared. */
struct left {
    char *json, *verdict, *hashes, *handed, *dump;
};

static char *dump(const char *dir)
{
    struct store *st;
    char *text;
    size_t size;
    assert_int_equal(store_open(dir, true, &st, NULL), 0);
    FILE *f = open_memstream(&text, &size);
    assert_int_equal(store_dump(st, f, NULL), 0);
    fclose(f);
    store_close(st);
    return text;
}

static char *say(const char *folder, const char *env, const char *command, int most)
{
    struct said s = shell("cd '%s' && export %s && %s", small_path(folder), env, command);
    if (s.status > most) print_error("%s\n%s\n", command, s.err);
    assert_in_range(s.status, 0, most);
    free(s.err);
    return s.out;
}

static struct left shoot(const struct setting *s, const char *extra)
{
    char command[300], stack[600];
    struct left l;
    struct said made = shell("mkdir '%s'", small_path(s->folder));
    said_clear(&made);
    snprintf(command, sizeof command, "staddle simulate ../same-job.yaml --stack st --json --workers %d %s",
             s->workers, extra);
    l.json = say(s->folder, s->env, command, 0);
    snprintf(stack, sizeof stack, "%s/st", small_path(s->folder));
    l.dump = dump(stack);
    l.verdict = say(s->folder, s->env, "staddle check st --json", 1);
    l.hashes = say(s->folder, s->env, "sha256sum st/frames/* st/derived/*.cells", 0);
    l.handed =
        say(s->folder, s->env, "staddle handover st --to out --quiet; cd out && sha256sum $(LC_ALL=C ls)", 0);
    return l;
}

static void clear(struct left *l)
{
    free(l->json);
    free(l->verdict);
    free(l->hashes);
    free(l->handed);
    free(l->dump);
}

static void workers_folder_locale_and_time_zone_change_no_byte(void **state)
{
    (void)state;
    struct shoot_job job;
    small_job("same",
              &(struct small){.width_px = 480,
                              .height_px = 320,
                              .slices = 16,
                              .scene = "  lamp_scatter_stops: 0.05\n  sway_um: 1\n  hum_um: 0.3\n"},
              &job);
    shoot_job_clear(&job);
    struct left first = shoot(&settings[0], "");
    assert_non_null(strstr(first.json, "\"end\": \"whole\""));
    assert_null(strstr(first.dump, test_folder())); /* no folder is stored */
    for (size_t i = 1; i < SETTINGS; i++) {
        struct left other = shoot(&settings[i], "");
        assert_string_equal(first.hashes, other.hashes);
        assert_string_equal(first.json, other.json);
        assert_string_equal(first.verdict, other.verdict);
        assert_string_equal(first.handed, other.handed);
        assert_string_equal(first.dump, other.dump);
        clear(&other);
    }
    /* and the comparison can tell: another seed is another stack */
    struct left seed = shoot(&(struct setting){"seed", "LC_ALL=C", 2}, "--seed 8");
    assert_string_not_equal(first.hashes, seed.hashes);
    assert_string_not_equal(first.dump, seed.dump);
    clear(&seed);
    clear(&first);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(workers_folder_locale_and_time_zone_change_no_byte),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
