#include "run/still.h"

#include <math.h>
#include <stdio.h>

#include "base/mem.h"
#include "run/loop_state.h"

#define TILE         8    /* cells */
#define TILES_LEAST  3    /* with something in them */
#define OVER_NOISE   4.0  /* times its variance */
#define CHANGE_LEAST 0.04 /* of a tile's energy, as ln; our choice */
#define LOOK_BACK    3    /* slices */

struct tile {
    double energy, noise; /* over the square of the mean luma */
};

static struct tile tile_of(const struct frame_measure *m, int32_t row, int32_t col)
{
    double squares = 0, pixels = 0, luma = 0, cells = 0;
    for (int32_t r = row; r < row + TILE && r < m->rows; r++)
        for (int32_t c = col; c < col + TILE && c < m->cols; c++) {
            const struct measure_cell *cell = &m->cells[r * m->cols + c];
            squares += (double)cell->laplacian_square[0];
            pixels += cell->count[0];
            luma += (double)cell->mean;
            cells++;
        }
    const double mean = luma / cells + 1, noise = (double)m->noise * (double)m->noise;
    if (!(pixels > 0)) return (struct tile){0};
    return (struct tile){squares / pixels / (mean * mean), noise / (mean * mean)};
}

bool still_the_same(const struct frame_measure *before, const struct frame_measure *now)
{
    int tiles = 0;
    if (before->width_px != now->width_px || before->rows != now->rows || before->cols != now->cols)
        return false;
    for (int32_t r = 0; r < now->rows; r += TILE)
        for (int32_t c = 0; c < now->cols; c += TILE) {
            const struct tile a = tile_of(before, r, c), b = tile_of(now, r, c);
            const bool shows = a.energy > OVER_NOISE * a.noise || b.energy > OVER_NOISE * b.noise;
            if (!shows || !(a.energy > 0) || !(b.energy > 0)) continue;
            tiles++;
            if (fabs(log(b.energy / a.energy)) > CHANGE_LEAST) return false;
        }
    return tiles >= TILES_LEAST;
}

/* The nearest slice before it whose picture is still here; -1. */
static int32_t before(const struct loop *l, int32_t slot)
{
    for (int32_t i = slot - 1; i >= 0 && i >= slot - LOOK_BACK; i--)
        if (l->slots[i].state == SLOT_KEPT && l->slots[i].picture &&
            l->slots[i].target_counts != l->slots[slot].target_counts)
            return i;
    return -1;
}

static void give_up(struct loop *l, int32_t slot)
{
    struct slot *s = &l->slots[slot];
    struct job_work *j = job_new(l, JOB_END, NULL);
    if (!j) return;
    j->row.id = s->exposure_id;
    j->state = EXPOSURE_FAILED;
    snprintf(j->reason, sizeof j->reason,
             "the lens did not go on from here: nobody knows whether it came here");
    s->state = SLOT_TODO;
    job_start(l, j);
}

bool still_spoils(struct loop *l, const struct take *t)
{
    struct err why;
    if (!(l->rig->axis->ops->caps & AXIS_BY_PICTURE) || l->opts.anyway || t->slot >= l->slot_count)
        return false;
    if (l->not_followed) return true; /* taken before that was seen */
    const int32_t i = before(l, t->slot);
    if (i < 0 || !still_the_same(&l->slots[i].picture->measure, &t->main->measure)) return false;
    fail(&why, E_STATE,
         "slice %d shows the same as slice %d: the lens does not follow any more; set the switch for its "
         "focus "
         "range to full, see whether it is at its stop or was switched to manual, then resume",
         (int)l->slots[t->slot].number, (int)l->slots[i].number);
    l->not_followed = true;
    loop_fault(l, &why);
    give_up(l, i);
    return true;
}
