/* cmd_check.c - staddle check STACK */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/fs.h"
#include "base/json.h"
#include "cmd.h"
#include "image/turned.h"
#include "report/judge.h"
#include "report/publish.h"
#include "report/sentence.h"
#include "report/verdict_json.h"

/* "X,Y,W,H" in pixels. */
static int read_region(const char *text, struct region_px *out, struct err *why)
{
    long v[4];
    const char *p = text;
    for (int i = 0; i < 4; i++) {
        char *end;
        v[i] = strtol(p, &end, 10);
        if (end == p || v[i] < (i < 2 ? 0 : 1) || v[i] > 1000000 || *end != (i < 3 ? ',' : '\0'))
            return fail(why, E_INPUT,
                        "--region %s: give X,Y,W,H in pixels of the first frame, e.g. 400,300,800,600", text);
        p = end + 1;
    }
    *out = (struct region_px){(int32_t)v[0], (int32_t)v[1], (int32_t)v[2], (int32_t)v[3]};
    return E_OK;
}

/* ---- the JSON object */

static json_t *frame_list(const struct judgement *j)
{
    json_t *list = json_array();
    for (int32_t i = 0; i < j->frames; i++)
        json_array_append_new(list, json_pack("{s:i, s:o}", "slice", j->rows[i].slice, "file",
                                              json_text(j->rows[i].files[0].name)));
    return list;
}

static json_t *pictures(const struct judgement *j)
{
    json_t *list = json_pack("[s, s, s, s]", "derived/" PUBLISH_COVERAGE, "derived/" PUBLISH_RIDGE,
                             "derived/" PUBLISH_FRAME, "derived/" PUBLISH_CONTACT);
    char retake[PATH_ROOM];
    snprintf(retake, sizeof retake, "%s/derived/" PUBLISH_RETAKE, store_dir(j->store));
    if (fs_exists(retake)) json_array_append_new(list, json_string("derived/" PUBLISH_RETAKE));
    if (j->verdict.spot_count) json_array_append_new(list, json_string("derived/" PUBLISH_SPOTS));
    for (int32_t i = 0; i < j->verdict.weakest_count; i++)
        json_array_append_new(list, json_sprintf("derived/" PUBLISH_PLACE, i + 1));
    return list;
}

static int describe(const struct cmd *c, const struct judgement *j, json_t **out, struct err *why)
{
    char sentence[SENTENCE_ROOM];
    const char *page = cmd_text(c, "page");
    json_t *o = cmd_result(c);
    sentence_write(&j->verdict, sentence);
    json_object_set_new(o, "stack", json_text(cmd_operand(c, 0)));
    json_object_set_new(o, "name", json_text(j->info.name));
    json_object_set_new(o, "sentence", json_text(sentence));
    const int rc = verdict_to_json(&j->verdict, o, why);
    if (rc) {
        json_decref(o);
        return rc;
    }
    json_object_set_new(o, "unneeded_count", json_integer(j->verdict.unneeded.count));
    json_object_set_new(o, "frame_list", frame_list(j));
    json_object_set_new(o, "pictures", pictures(j));
    json_object_set_new(o, "page", json_text(page ? page : "derived/" PUBLISH_PAGE));
    *out = o;
    return E_OK;
}

/* ---- the same in lines */

static int slice_of(const json_t *r, const json_t *frame)
{
    const json_t *row = json_array_get(json_object_get(r, "frame_list"), (size_t)json_integer_value(frame));
    return (int)json_get_number(row, "slice");
}

#define RANGES_MOST 12

/* Slices of a list of frames, neighbours drawn together: " (1, 27-31, 80)". */
static void print_slices(FILE *out, const json_t *r, const json_t *frames)
{
    const size_t count = json_array_size(frames);
    int ranges = 0;
    for (size_t i = 0, n; i < count; i += n) {
        const json_int_t at = json_integer_value(json_array_get(frames, i));
        for (n = 1; i + n < count && json_integer_value(json_array_get(frames, i + n)) == at + (json_int_t)n;)
            n++;
        if (++ranges > RANGES_MOST) break;
        fprintf(out, "%s%d", i ? ", " : " (", slice_of(r, json_array_get(frames, i)));
        if (n > 1) fprintf(out, "-%d", slice_of(r, json_array_get(frames, i + n - 1)));
    }
    if (count) fputs(ranges > RANGES_MOST ? ", ...)" : ")", out);
}

static void print_frames(FILE *out, const json_t *r)
{
    const double frames = json_get_number(r, "frames"), unneeded = json_get_number(r, "unneeded_count");
    const json_t *first = json_object_get(r, "useful_first"), *last = json_object_get(r, "useful_last");
    fprintf(out, "%.0f frame%s", frames, frames == 1 ? "" : "s");
    if (json_is_integer(first)) {
        fprintf(out, "; slices %d to %d are needed", slice_of(r, first), slice_of(r, last));
        if (unneeded > 0) fprintf(out, ", %.0f add%s nothing", unneeded, unneeded == 1 ? "s" : "");
        print_slices(out, r, json_object_get(r, "unneeded"));
    }
    fprintf(out, "; %.1f %% of the picture has texture\n", 100 * json_get_number(r, "textured_fraction"));
}

static void print_places(FILE *out, const json_t *r)
{
    size_t i;
    json_t *w;
    const json_t *list = json_object_get(r, "weakest");
    if (json_array_size(list)) fputs("\nthe weakest places:\n", out);
    json_array_foreach (list, i, w)
        fprintf(out, "  %zu  slice %d at x %.0f, y %.0f: %s\n", i + 1,
                slice_of(r, json_object_get(w, "frame")), json_get_number(w, "at_x_px"),
                json_get_number(w, "at_y_px"), json_get_text(w, "reason"));
}

static void print_orientation(FILE *out, const json_t *r)
{
    const char *turn = turned_words((int)json_get_number(r, "orientation"));
    if (*turn) fprintf(out, "places and pictures are as viewers show the frames: %s\n", turn);
}

static void print_light(FILE *out, const json_t *r)
{
    const json_t *l = json_object_get(r, "light");
    const double slope = json_get_number(l, "slope_stops");
    fprintf(out, "\nlight: scatters by %.3f stops, drifts by %+.3f stops over the stack\n",
            json_get_number(l, "scatter_stops"), fabs(slope) < 0.0005 ? 0 : slope);
}

static void print_depth(FILE *out, const json_t *r)
{
    const json_t *d = json_object_get(r, "depth");
    if (!json_is_object(d)) return;
    fprintf(out, "depth: nearest sharp part at %.1f um, deepest at %.1f um: %.1f um between them\n",
            json_get_number(d, "nearest_um"), json_get_number(d, "deepest_um"),
            json_get_number(d, "between_um"));
}

static void print_quiet(FILE *out, const json_t *r)
{
    const json_t *q = json_object_get(r, "quiet");
    if (!json_is_object(q) || strcmp(json_get_text(q, "state"), "alike") != 0) return;
    fprintf(out, "sharpness: slice %d is as sharp as %s, taken when all was still\n",
            slice_of(r, json_object_get(q, "frame")), json_get_text(q, "file"));
}

static void print_findings(FILE *out, const json_t *r, bool grave)
{
    size_t i;
    json_t *f;
    json_array_foreach (json_object_get(r, "findings"), i, f) {
        if (json_is_true(json_object_get(f, "grave")) != grave) continue;
        fprintf(out, "%s %s\n", grave ? "!" : "-", json_get_text(f, "text"));
        if (json_get_text(f, "advice")[0]) fprintf(out, "  %s\n", json_get_text(f, "advice"));
    }
}

static void text(FILE *out, const json_t *r)
{
    size_t i;
    json_t *name;
    fprintf(out, "%s\n", json_get_text(r, "sentence"));
    print_frames(out, r);
    print_depth(out, r);
    print_places(out, r);
    print_orientation(out, r);
    print_light(out, r);
    print_quiet(out, r);
    if (json_array_size(json_object_get(r, "findings"))) fputs("\nwhat to do:\n", out);
    print_findings(out, r, true);
    print_findings(out, r, false);
    fputs("\npictures:", out);
    json_array_foreach (json_object_get(r, "pictures"), i, name)
        fprintf(out, " %s", json_string_value(name));
    fprintf(out, "\npage: %s\n", json_get_text(r, "page"));
}

static bool any_grave(const struct verdict *v)
{
    for (int32_t i = 0; i < v->findings.count; i++)
        if (v->findings.rows[i].grave) return true;
    return false;
}

static int check(const struct cmd *c, struct store *store, const struct judge_opts *opts, struct err *why)
{
    struct judgement j;
    json_t *result;
    int rc = judge_stack(store, opts, &j, why);
    if (rc) return rc;
    rc = publish(store, &j, STADDLE_VERSION, cmd_text(c, "page"), why);
    if (!rc) rc = describe(c, &j, &result, why);
    if (!rc) {
        cmd_print(c, result, text);
        rc = any_grave(&j.verdict);
    }
    judgement_clear(&j);
    return rc;
}

static int run(struct cmd *c, struct err *why)
{
    struct judge_opts opts = {0};
    struct store *store;
    const char *region = cmd_text(c, "region");
    int rc = region ? read_region(region, &opts.region, why) : E_OK;
    if (rc) return rc;
    opts.region_given = region != NULL;
    rc = store_open(cmd_operand(c, 0), true, &store, why);
    if (rc) return rc;
    rc = check(c, store, &opts, why);
    store_close(store);
    return rc;
}

static const struct option_row options[] = {
    {"region", "X,Y,W,H",
     "judge this part only, in pixels of the first frame as shown; default: the job's, or all"},
    {"page", "FILE", "write the report page there, too"},
    {NULL, NULL, NULL},
};

const struct verb verb_check = {
    .name = "check",
    .operands = "STACK",
    .least = 1,
    .most = 1,
    .summary = "say whether every part of the subject is sharp in some frame",
    .about =
        "Looks at all frames of a stack folder and says whether every part of the subject that has texture\n"
        "is sharp in some frame, which places to look at, which frames are not needed, and what to do.\n"
        "Pictures and a report page go to the folder's derived/: a map of the subject that tells in which\n"
        "slice each part is sharp, all frames small, and the three weakest places at 100 %.\n"
        "Where the stack has a frame taken when all was still (camera shoot --as quiet, import "
        "--quiet-frame),\n"
        "it says whether the stack is as sharp, or shaken alike in every frame.\n"
        "Ends with 1 when something is gravely wrong.",
    .options = options,
    .run = run,
};
