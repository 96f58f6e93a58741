#include "cmd.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/json.h"
#include "base/mem.h"
#include "cmd_length.h"

#define VALUES_MOST 32

static const struct option_row shared_options[] = {
    {"json", NULL, "print one JSON object instead of text"},
    {"quiet", NULL, "print nothing but errors"},
    {"verbose", NULL, "print more of what happens"},
    {"bench", "FILE", "use this bench file instead of the one the job names"},
    {"help", NULL, "show this help"},
    {NULL, NULL, NULL},
};

struct value {
    const struct option_row *row;
    const char *text;
};

struct cmd {
    const struct verb *verb;
    struct value values[VALUES_MOST];
    int value_count;
    const char **operands;
    int operand_count;
};

const char *cmd_operand(const struct cmd *c, int index)
{
    return index < c->operand_count ? c->operands[index] : NULL;
}

int cmd_operand_count(const struct cmd *c)
{
    return c->operand_count;
}

static const struct value *find_value(const struct cmd *c, const char *option)
{
    for (int i = c->value_count; i-- > 0;)
        if (!strcmp(c->values[i].row->name, option)) return &c->values[i];
    return NULL;
}

bool cmd_flag(const struct cmd *c, const char *option)
{
    return find_value(c, option) != NULL;
}

const char *cmd_text(const struct cmd *c, const char *option)
{
    const struct value *v = find_value(c, option);
    return v ? v->text : NULL;
}

int cmd_number(const struct cmd *c, const char *option, double least, double most, double *out,
               struct err *why)
{
    const char *text = cmd_text(c, option);
    if (!text) return E_OK;
    char *end;
    double v = strtod(text, &end);
    if (end == text || *end || !isfinite(v) || v < least || v > most)
        return fail(why, E_INPUT, "--%s %s: give a number from %g to %g", option, text, least, most);
    *out = v;
    return E_OK;
}

bool cmd_json(const struct cmd *c)
{
    return cmd_flag(c, "json");
}

bool cmd_quiet(const struct cmd *c)
{
    return cmd_flag(c, "quiet");
}

bool cmd_verbose(const struct cmd *c)
{
    return cmd_flag(c, "verbose");
}

json_t *cmd_result(const struct cmd *c)
{
    return json_pack("{s:s, s:i, s:[]}", "verb", c->verb->name, "format", 1, "findings");
}

void cmd_print(const struct cmd *c, json_t *result, void (*text)(FILE *, const json_t *))
{
    if (cmd_json(c))
        json_write(stdout, result);
    else if (!cmd_quiet(c))
        text(stdout, result);
    json_decref(result);
}

static void print_findings(FILE *out, const json_t *findings, bool grave)
{
    size_t i;
    json_t *f;
    json_array_foreach (findings, i, f) {
        if (json_is_true(json_object_get(f, "grave")) != grave) continue;
        fprintf(out, "%s %s\n", grave ? "!" : "-", json_get_text(f, "text"));
        if (json_get_text(f, "advice")[0]) fprintf(out, "  %s\n", json_get_text(f, "advice"));
    }
}

void cmd_print_findings(FILE *out, const json_t *result)
{
    const json_t *findings = json_object_get(result, "findings");
    print_findings(out, findings, true);
    print_findings(out, findings, false);
}

static void print_options(const struct option_row *rows)
{
    for (; rows && rows->name; rows++) {
        char left[64];
        snprintf(left, sizeof left, "--%s%s%s", rows->name, rows->metavar ? " " : "",
                 rows->metavar ? rows->metavar : "");
        printf("  %-22s %s\n", left, rows->help);
    }
}

static void print_help(const struct verb *v)
{
    printf("usage: staddle %s%s%s [options]\n\n%s\n\noptions:\n", v->name, *v->operands ? " " : "",
           v->operands, v->about);
    print_options(v->options);
    print_options(shared_options);
}

static void print_verbs(const struct verb *const *verbs)
{
    puts("usage: staddle VERB [operands] [options]\n\n"
         "Shoots focus stacks and knows, before you touch the set, what is sharp in them.\n\nverbs:");
    for (; *verbs; verbs++)
        printf("  %-10s %s\n", (*verbs)->name, (*verbs)->summary);
    puts("\nstaddle VERB --help says more.");
}

static const struct option_row *find_row(const struct option_row *rows, const char *name, size_t length)
{
    for (; rows && rows->name; rows++)
        if (strlen(rows->name) == length && !memcmp(rows->name, name, length)) return rows;
    return NULL;
}

static int parse_option(struct cmd *c, int argc, char **argv, int *at, struct err *why)
{
    const char *name = argv[*at] + 2;
    const char *equals = strchr(name, '=');
    size_t length = equals ? (size_t)(equals - name) : strlen(name);
    const struct option_row *row = find_row(c->verb->options, name, length);
    if (!row) row = find_row(shared_options, name, length);
    if (!row)
        return fail(why, E_INPUT, "%s: no such option; 'staddle %s --help' lists them", argv[*at],
                    c->verb->name);
    const char *text = equals ? equals + 1 : NULL;
    if (!row->metavar && text) return fail(why, E_INPUT, "--%s takes no value", row->name);
    if (row->metavar && !text) {
        if (*at + 1 >= argc) return fail(why, E_INPUT, "--%s needs %s", row->name, row->metavar);
        text = argv[++*at];
    }
    if (c->value_count == VALUES_MOST) return fail(why, E_INPUT, "too many options");
    c->values[c->value_count++] = (struct value){row, text};
    return E_OK;
}

static int parse(struct cmd *c, int argc, char **argv, struct err *why)
{
    bool only_operands = false;
    for (int i = 0; i < argc; i++) {
        if (!only_operands && !strcmp(argv[i], "--")) {
            only_operands = true;
        } else if (!only_operands && argv[i][0] == '-' && argv[i][1] == '-') {
            int rc = parse_option(c, argc, argv, &i, why);
            if (rc) return rc;
        } else if (!only_operands && argv[i][0] == '-' && argv[i][1] && !cmd_looks_like_length(argv[i])) {
            return fail(why, E_INPUT, "%s: options have two dashes; 'staddle %s --help' lists them", argv[i],
                        c->verb->name);
        } else {
            c->operands[c->operand_count++] = argv[i];
        }
    }
    return E_OK;
}

static int check_operands(const struct cmd *c, struct err *why)
{
    const struct verb *v = c->verb;
    if (c->operand_count < v->least)
        return fail(why, E_INPUT, "%s needs %s; 'staddle %s --help' says more", v->name, v->operands,
                    v->name);
    if (v->most >= 0 && c->operand_count > v->most)
        return fail(why, E_INPUT, "%s: one operand too many: %s", v->name, c->operands[v->most]);
    return E_OK;
}

static int run_verb(const struct verb *v, int argc, char **argv)
{
    struct err why = {0};
    struct cmd c = {.verb = v};
    c.operands = mem_new((size_t)argc + 1, sizeof *c.operands, &why);
    int rc = c.operands ? parse(&c, argc, argv, &why) : E_NOMEM;
    if (!rc && cmd_flag(&c, "help")) {
        print_help(v);
    } else {
        if (!rc) rc = check_operands(&c, &why);
        if (!rc) rc = v->run(&c, &why);
    }
    if (rc < 0) fprintf(stderr, "%s\n", why.text);
    mem_free(c.operands);
    return rc < 0 ? err_exit_status((enum errc)rc) : rc;
}

static const struct verb *find_verb(const struct verb *const *verbs, const char *name)
{
    while (*verbs && strcmp((*verbs)->name, name) != 0)
        verbs++;
    if (!*verbs) fprintf(stderr, "%s: no such verb; 'staddle --help' lists them\n", name);
    return *verbs;
}

static bool asks_for_help(const char *word)
{
    return !strcmp(word, "--help") || !strcmp(word, "-h") || !strcmp(word, "help");
}

int cmd_main(const struct verb *const *verbs, int argc, char **argv)
{
    const bool help = argc >= 2 && asks_for_help(argv[1]);
    if (argc < 2 || (help && argc == 2)) {
        print_verbs(verbs);
        return argc < 2 ? 2 : 0;
    }
    const char *name = help ? argv[2] : !strcmp(argv[1], "--version") ? "version" : argv[1];
    const struct verb *v = find_verb(verbs, name);
    if (!v) return 2;
    if (!help) return run_verb(v, argc - 2, argv + 2);
    print_help(v);
    return 0;
}
