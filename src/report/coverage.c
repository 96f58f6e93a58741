/* The coverage map: the subject in relief, tinted by the slice in which each tile is sharp. What is sharp in
 * no slice is hatched (nearer than the first: falling, beyond the last: rising, in a gap: crossed) and named;
 * where there is no texture the subject stays gray, with a dot in each tile. */
#include "report/coverage.h"

#include <math.h>

#include "base/mem.h"

double map_x(const struct map *m, double col)
{
    return m->x + col * m->tile;
}

double map_y(const struct map *m, double row)
{
    return m->y + row * m->tile;
}

static int draw(struct map *m, struct err *why)
{
    int rc = map_paint_subject(m, why);
    if (rc) return rc;
    map_paint_states(m);
    map_write_numbers(m);
    rc = map_name_patches(m, why);
    map_mark_places(m);
    map_draw_legend(m);
    return rc;
}

static int pack(struct map *m, struct drawing *bare, struct drawing *explained, struct err *why)
{
    struct drawing first;
    int rc = paper_png(&m->c, m->h, &first, why);
    if (rc) return rc;
    rc = paper_png(&m->c, PAPER_SIDE_MOST, explained, why);
    if (rc)
        drawing_clear(&first);
    else
        *bare = first;
    return rc;
}

int pictures_coverage(const struct pictures_of *of, struct drawing *bare, struct drawing *explained,
                      struct err *why)
{
    const struct verdict *v = of->verdict;
    if (v->frames < 1 || v->rows < 1 || v->cols < 1) return fail(why, E_INPUT, "there is no frame to show");
    const struct frame_measure *first = &of->measures[0];
    struct map m = {.of = of, .v = v, .w = COVERAGE_WIDTH};
    m.px = (double)COVERAGE_WIDTH / first->width_px;
    m.h = (int32_t)lround(first->height_px * m.px);
    m.tile = v->tile_px * m.px;
    m.x = v->grid_x_px * m.px;
    m.y = v->grid_y_px * m.px;
    int rc = paper_init(&m.c, m.w, m.h + LEGEND_HEIGHT, PALETTE_PAPER, why);
    if (rc) return rc;
    rc = draw(&m, why);
    if (!rc) rc = pack(&m, bare, explained, why);
    paper_clear(&m.c);
    mem_free(m.luma);
    mem_free(m.smooth);
    return rc;
}
