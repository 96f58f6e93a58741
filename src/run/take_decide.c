/* take_decide.c - is what came of an attempt the slice's frame? Not when the flash did not fire, the axis may
 * have moved, or the lens did not follow. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "run/loop_state.h"
#include "run/naming.h"
#include "run/still.h"

#define DARK_SHARE 0.125 /* of the usual level: three stops under is no flash; our choice */
#define DARK_LEVEL 0.002 /* linear, where there is no usual level yet; our choice */

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* No flash in it? Compared with what is usual in this run. */
static bool is_dark(const struct loop *l, double level)
{
    double sorted[16];
    int n = l->level_count < 16 ? l->level_count : 16;
    if (!n) return level < DARK_LEVEL;
    memcpy(sorted, l->levels + (l->level_count - n), (size_t)n * sizeof *sorted);
    qsort(sorted, (size_t)n, sizeof *sorted, by_value);
    return level < DARK_SHARE * sorted[n / 2];
}

static void keep(struct loop *l, struct take *t)
{
    t->stage = TAKE_KEEPING;
    struct job_work *j = job_new(l, t->main ? JOB_KEEP : JOB_CARD, t);
    for (int i = 0; j && i < t->fetched; i++)
        j->files[j->file_count++] = t->pictures[i]->file;
    job_start(l, j);
}

void take_decide(struct loop *l, struct take *t)
{
    if (t->stage != TAKE_DEVELOPING || t->measuring || t->puts_out || t->doubtful) return;
    if (t->main) file_row_tell(&t->main->file, &t->main->facts);
    if (t->spoilt[0]) {
        take_fail(l, t, EXPOSURE_FAILED, t->spoilt);
    } else if (t->main && l->opts.bench->light.kind == LIGHT_FLASH &&
               is_dark(l, t->main->measure.mean_linear)) {
        l->result.misfires++;
        take_fail(l, t, EXPOSURE_FAILED, "dark: the flash did not fire");
    } else if (still_spoils(l, t)) {
        take_fail(l, t, EXPOSURE_FAILED, "the same as the frame before it: the lens did not follow");
    } else {
        keep(l, t);
    }
}

void take_doubt_exposing(struct loop *l)
{
    for (int i = 0; i < LOOP_FRAMES_MOST; i++)
        if (l->takes[i].stage == TAKE_FIRED) l->takes[i].doubtful = true;
}

void take_doubt_over(struct loop *l, bool stood)
{
    for (int i = 0; i < LOOP_FRAMES_MOST; i++) {
        struct take *t = &l->takes[i];
        if (!t->doubtful) continue;
        t->doubtful = false;
        t->blameless = true;
        if (!stood) snprintf(t->spoilt, sizeof t->spoilt, "the axis may have moved during the exposure");
        take_decide(l, t);
    }
}
