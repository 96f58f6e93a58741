#include "cmd_evening.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/fs.h"
#include "base/json.h"
#include "base/mem.h"
#include "report/judge.h"
#include "report/sentence.h"
#include "store/evening.h"
#include "store/folder.h"

static void parent_of(const char *stack_dir, char out[PATH_ROOM])
{
    size_t n = strlen(stack_dir);
    while (n > 1 && stack_dir[n - 1] == '/')
        n--;
    while (n && stack_dir[n - 1] != '/')
        n--;
    while (n > 1 && stack_dir[n - 1] == '/')
        n--;
    snprintf(out, PATH_ROOM, "%.*s", n ? (int)n : 1, n ? stack_dir : ".");
}

static int by_size(const void *a, const void *b)
{
    const float x = *(const float *)a, y = *(const float *)b;
    return (x > y) - (x < y);
}

static double median_light(const struct judgement *j)
{
    float *levels = mem_new((size_t)j->frames + 1, sizeof *levels, NULL);
    if (!levels || !j->frames) {
        mem_free(levels);
        return 0;
    }
    for (int32_t i = 0; i < j->frames; i++)
        levels[i] = j->measures[i].mean_linear;
    qsort(levels, (size_t)j->frames, sizeof *levels, by_size);
    const double median = (levels[(j->frames - 1) / 2] + levels[j->frames / 2]) / 2;
    mem_free(levels);
    return median;
}

static const char *answer_words(const struct judgement *j, int32_t slices)
{
    static const char *const WORDS[] = {[ANSWER_YES] = "every part sharp",
                                        [ANSWER_ALMOST] = "nearly every part sharp",
                                        [ANSWER_NO] = "not every part sharp",
                                        [ANSWER_NOTHING] = "nothing to judge by"};
    return j->frames < slices ? "not finished" : WORDS[sentence_answer(&j->verdict)];
}

static int fill(struct store *store, struct evening_line *l, struct err *why)
{
    struct slice_row *slices;
    struct stack_info info;
    struct judgement j;
    int rc = store_info(store, &info, why);
    if (rc) return rc;
    l->begun_wall_us = info.created_wall_us;
    l->utc_offset_s = info.simulated ? info.utc_offset_s : evening_utc_offset_s(info.created_wall_us);
    snprintf(l->job, sizeof l->job, "%s", info.name);
    stack_info_clear(&info);
    rc = store_slices(store, 0, &slices, &l->slices, why);
    if (rc) return rc;
    mem_free(slices);
    int32_t on_card = 0;
    rc = store_count_on_card(store, &on_card, why);
    if (rc) return rc;
    snprintf(l->verdict, sizeof l->verdict, "%s", on_card ? "to be imported" : "no frame");
    const struct judge_opts opts = {0};
    if (judge_stack(store, &opts, &j, NULL)) return E_OK;
    l->kept = j.frames;
    l->light = median_light(&j);
    snprintf(l->verdict, sizeof l->verdict, "%s", answer_words(&j, l->slices));
    judgement_clear(&j);
    return E_OK;
}

int cmd_evening_note(const char *stack_dir, json_t **out, struct err *why)
{
    struct store *store;
    struct evening_line l = {0};
    char dir[PATH_ROOM], path[PATH_ROOM];
    double stops = NAN;
    folder_base_name(stack_dir, l.stack, sizeof l.stack);
    parent_of(stack_dir, dir);
    int rc = fs_join(path, sizeof path, dir, EVENING_FILE, why);
    if (!rc) rc = store_open(stack_dir, true, &store, why);
    if (rc) return rc;
    rc = fill(store, &l, why);
    store_close(store);
    if (!rc) rc = evening_note(dir, &l, &stops, why);
    if (rc) return rc;
    *out = json_object();
    json_object_set_new(*out, "file", json_text(path));
    json_object_set_new(*out, "verdict", json_text(l.verdict));
    json_object_set_new(*out, "light_stops", json_rounded(round(1000 * stops) / 1000 + 0.0, 3));
    return E_OK;
}

int cmd_evening_has_list(const char *stack_dir)
{
    char dir[PATH_ROOM], path[PATH_ROOM];
    parent_of(stack_dir, dir);
    return !fs_join(path, sizeof path, dir, EVENING_FILE, NULL) && fs_exists(path);
}
