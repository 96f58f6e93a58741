/* coverage.h - inside the coverage map: the pieces that it is painted of, in this order. */
#ifndef STADDLE_REPORT_COVERAGE_H
#define STADDLE_REPORT_COVERAGE_H

#include "report/pictures.h"

#define LEGEND_HEIGHT 128

struct map {
    const struct pictures_of *of;
    const struct verdict *v;
    struct paper c;
    int32_t w, h;         /* of the map alone */
    double px;            /* map pixels per frame pixel */
    double tile;          /* side of a tile in map pixels */
    double x, y;          /* of the grid's corner in map pixels */
    float *luma, *smooth; /* w x h; 0..1 */
};

/* Where a column, a row of tiles begins, in map pixels. */
double map_x(const struct map *, double col);
double map_y(const struct map *, double row);

/* coverage_ground.c: the subject in relief under the tint. */
int map_paint_subject(struct map *, struct err *);

/* coverage_marks.c: hatching, borders, dots, and the rings of the weak places. */
bool map_unsharp(enum tile_state);
enum tile_state map_state_of(const struct map *, int32_t row, int32_t col); /* TILE_OUTSIDE beyond the grid */
void map_hatch(struct paper *, double x, double y, double w, double h, enum tile_state);
void map_paint_states(struct map *);
/* Where a weak place lies in the first frame, in map pixels; false when its frame is none. */
bool map_place_at(const struct map *, int32_t i, double *x, double *y);
void map_mark_places(struct map *);

/* coverage_words.c: slice numbers, names of what is sharp in no slice, and the strip that explains it all. */
void map_write_numbers(struct map *);
int map_name_patches(struct map *, struct err *);
void map_draw_legend(struct map *);

#endif
