/* cmd_handover.c - staddle handover STACK --to DIR, staddle handover --verify DIR */
#include <string.h>

#include "base/findings.h"
#include "base/json.h"
#include "cmd.h"
#include "report/handover.h"
#include "report/judge.h"
#include "report/sentence.h"

/* ---- making one */

static int judge(struct store *st, struct handover_request *rq, json_t *out, bool *grave, struct err *why)
{
    struct judgement j;
    char sentence[SENTENCE_ROOM];
    int rc = judge_stack(st, &(struct judge_opts){0}, &j, why);
    if (rc) return rc;
    rq->useful_first = j.verdict.useful_first;
    rq->useful_last = j.verdict.useful_last;
    rq->margin = j.verdict.margin;
    sentence_write(&j.verdict, sentence);
    json_object_set_new(out, "useful_first", json_integer(rq->useful_first));
    json_object_set_new(out, "useful_last", json_integer(rq->useful_last));
    json_object_set_new(out, "margin", json_integer(rq->margin));
    json_object_set_new(out, "sentence", json_text(sentence));
    json_object_set_new(out, "findings", findings_json(&j.verdict.findings));
    *grave = findings_grave(&j.verdict.findings);
    judgement_clear(&j);
    return E_OK;
}

static void describe(json_t *out, const struct handover_request *rq, const struct handover_result *r)
{
    json_object_set_new(out, "folder", json_text(rq->to));
    json_object_set_new(out, "all", json_boolean(rq->all));
    json_object_set_new(out, "frames", json_integer(r->frames));
    json_object_set_new(out, "left_out", json_integer(r->left_out));
    json_object_set_new(out, "files", json_integer(r->files));
    json_object_set_new(out, "references", json_integer(r->references));
    json_object_set_new(out, "megabytes", json_rounded((double)r->bytes / 1e6, 1));
    json_object_set_new(out, "first", json_integer(r->first));
    json_object_set_new(out, "last", json_integer(r->last));
    json_object_set_new(out, "first_slice", json_integer(r->first_slice));
    json_object_set_new(out, "last_slice", json_integer(r->last_slice));
    json_object_set_new(out, "prefix", json_text(r->prefix));
    json_object_set_new(out, "manifest", json_text(HANDOVER_MANIFEST));
}

static const char *s_of(double n)
{
    return n > 1 || n < 1 ? "s" : "";
}

static bool is_grave(const json_t *r)
{
    size_t i;
    json_t *f;
    json_array_foreach (json_object_get(r, "findings"), i, f)
        if (json_is_true(json_object_get(f, "grave"))) return true;
    return false;
}

static void text_made(FILE *out, const json_t *r)
{
    const double frames = json_get_number(r, "frames"), files = json_get_number(r, "files"),
                 left = json_get_number(r, "left_out");
    if (*json_get_text(r, "sentence")) fprintf(out, "%s\n", json_get_text(r, "sentence"));
    fprintf(out, "%s: %.0f frame%s (slices %.0f to %.0f), %.0f file%s, %.1f MB, copied and compared\n",
            json_get_text(r, "folder"), frames, s_of(frames), json_get_number(r, "first_slice"),
            json_get_number(r, "last_slice"), files, s_of(files), json_get_number(r, "megabytes"));
    if (json_is_true(json_object_get(r, "all")))
        fputs("every frame was asked for\n", out);
    else
        fprintf(out, "that is every useful frame and up to %.0f more at either end\n",
                json_get_number(r, "margin"));
    if (left > 0) fprintf(out, "%.0f frame%s stayed in the stack\n", left, s_of(left));
    if (json_get_number(r, "references") > 0)
        fprintf(out, "in the folder reference: %.0f file%s outside the order\n",
                json_get_number(r, "references"), s_of(json_get_number(r, "references")));
    if (is_grave(r))
        fprintf(out, "the stack is not complete: 'staddle check %s' shows where\n",
                json_get_text(r, "stack"));
    fprintf(out, "names begin with %s; 'sha256sum -c %s' in that folder checks them\n",
            json_get_text(r, "prefix"), json_get_text(r, "manifest"));
}

static int make_from(struct cmd *c, struct store *st, struct err *why)
{
    struct handover_request rq = {.to = cmd_text(c, "to"), .all = cmd_flag(c, "all")};
    struct handover_result made;
    bool grave = false;
    json_t *out = cmd_result(c);
    json_object_set_new(out, "stack", json_text(store_dir(st)));
    int rc = handover_check_place(rq.to, why); /* before the measuring, which may take a while */
    if (!rc && !rq.all) rc = judge(st, &rq, out, &grave, why);
    if (!rc) rc = handover_make(st, &rq, &made, why);
    if (rc) {
        json_decref(out);
        return rc;
    }
    describe(out, &rq, &made);
    cmd_print(c, out, text_made);
    return grave ? 1 : 0;
}

static int make(struct cmd *c, struct err *why)
{
    struct store *st;
    if (!cmd_operand(c, 0) || !cmd_text(c, "to"))
        return fail(
            why, E_INPUT,
            "handover needs STACK and --to DIR, or --verify DIR; 'staddle handover --help' says more");
    int rc = store_open(cmd_operand(c, 0), true, &st, why);
    if (rc) return rc;
    rc = make_from(c, st, why);
    store_close(st);
    return rc;
}

/* ---- checking one */

static const char *const faults[] = {"missing", "changed", "extra"};

static json_t *names_of(const struct handover_check *check, enum handover_fault fault)
{
    json_t *list = json_array();
    for (int32_t i = 0; i < check->count; i++)
        if (check->rows[i].fault == fault) json_array_append_new(list, json_text(check->rows[i].name));
    return list;
}

static void text_verified(FILE *out, const json_t *r)
{
    double wrong = 0;
    for (size_t f = 0; f < sizeof faults / sizeof *faults; f++) {
        size_t i;
        json_t *name;
        json_array_foreach (json_object_get(r, faults[f]), i, name) {
            fprintf(out, "%s: %s\n", faults[f], json_string_value(name));
            wrong++;
        }
    }
    const double files = json_get_number(r, "files");
    if (wrong > 0)
        fprintf(out, "%s: not as it was handed over; hand over again, or copy it again\n",
                json_get_text(r, "folder"));
    else
        fprintf(out, "%s: all %.0f file%s as handed over, and nothing else\n", json_get_text(r, "folder"),
                files, s_of(files));
}

static int verify(struct cmd *c, struct err *why)
{
    struct handover_check check;
    const char *dir = cmd_text(c, "verify");
    if (cmd_operand(c, 0) || cmd_text(c, "to") || cmd_flag(c, "all"))
        return fail(why, E_INPUT,
                    "--verify DIR looks at a finished hand-over; give no STACK, --to or --all with it");
    int rc = handover_verify(dir, &check, why);
    if (rc) return rc;
    json_t *out = cmd_result(c);
    json_object_set_new(out, "folder", json_text(dir));
    json_object_set_new(out, "files", json_integer(check.files));
    for (int f = 0; f < 3; f++)
        json_object_set_new(out, faults[f], names_of(&check, (enum handover_fault)f));
    cmd_print(c, out, text_verified);
    rc = check.count ? 1 : 0;
    handover_check_clear(&check);
    return rc;
}

static int run(struct cmd *c, struct err *why)
{
    return cmd_text(c, "verify") ? verify(c, why) : make(c, why);
}

static const struct option_row options[] = {
    {"to", "DIR", "make the hand-over there; DIR must not exist yet, or be empty"},
    {"all", NULL, "every frame of the stack, not only the useful ones and their margin"},
    {"verify", "DIR", "instead: is the hand-over in DIR still as it was made? (exit 1 when it is not)"},
    {NULL, NULL, NULL},
};

const struct verb verb_handover = {
    .name = "handover",
    .operands = "[STACK]",
    .least = 0,
    .most = 1,
    .summary = "copy the useful frames for merging, with checksums and a record",
    .about = "Copies the frames of STACK in which something is in focus, and a margin at either end, to a "
             "folder of\n"
             "their own: byte for byte, without a gap, named in order, with checksums, a record of every "
             "frame and a\n"
             "page for whoever merges them. Frames that were shot again, and those beyond the margin, stay "
             "in the stack.",
    .options = options,
    .run = run,
};
