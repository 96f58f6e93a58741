#include "image/turned.h"

/* Row 0 is the visual top (or, on its side, the visual left) unless `row_back`; likewise column 0. */
static const struct {
    bool side, row_back, column_back;
    const char *words;
} known[9] = {
    [1] = {false, false, false, ""},
    [2] = {false, false, true, "mirrored left to right"},
    [3] = {false, true, true, "turned by 180 degrees"},
    [4] = {false, true, false, "mirrored top to bottom"},
    [5] = {true, false, false, "turned by 90 degrees clockwise and mirrored left to right"},
    [6] = {true, true, false, "turned by 90 degrees clockwise"},
    [7] = {true, true, true, "turned by 90 degrees counter-clockwise and mirrored left to right"},
    [8] = {true, false, true, "turned by 90 degrees counter-clockwise"},
};

static int sane(int orientation)
{
    return orientation >= 1 && orientation <= 8 ? orientation : 1;
}

bool turned(int orientation)
{
    return sane(orientation) != 1;
}

bool turned_on_side(int orientation)
{
    return known[sane(orientation)].side;
}

const char *turned_words(int orientation)
{
    return known[sane(orientation)].words;
}

struct region_px turned_box_to_shown(int orientation, int32_t w, int32_t h, struct region_px b)
{
    const int o = sane(orientation);
    const int32_t column = known[o].column_back ? w - b.x - b.w : b.x;
    const int32_t row = known[o].row_back ? h - b.y - b.h : b.y;
    return known[o].side ? (struct region_px){row, column, b.h, b.w}
                         : (struct region_px){column, row, b.w, b.h};
}

struct region_px turned_box_to_stored(int orientation, int32_t w, int32_t h, struct region_px b)
{
    const int o = sane(orientation);
    const struct region_px s = known[o].side ? (struct region_px){b.y, b.x, b.h, b.w} : b;
    return (struct region_px){known[o].column_back ? w - s.x - s.w : s.x,
                              known[o].row_back ? h - s.y - s.h : s.y, s.w, s.h};
}

struct pixel turned_to_shown(int orientation, int32_t w, int32_t h, struct pixel p)
{
    const struct region_px b = turned_box_to_shown(orientation, w, h, (struct region_px){p.x, p.y, 1, 1});
    return (struct pixel){b.x, b.y};
}

struct pixel turned_to_stored(int orientation, int32_t w, int32_t h, struct pixel p)
{
    const struct region_px b = turned_box_to_stored(orientation, w, h, (struct region_px){p.x, p.y, 1, 1});
    return (struct pixel){b.x, b.y};
}

void turned_point_to_shown(int orientation, int32_t w, int32_t h, double *x, double *y)
{
    const int o = sane(orientation);
    const double column = known[o].column_back ? w - *x : *x, row = known[o].row_back ? h - *y : *y;
    *x = known[o].side ? row : column;
    *y = known[o].side ? column : row;
}

void turned_way_to_shown(int orientation, double *x, double *y)
{
    const int o = sane(orientation);
    const double right = known[o].column_back ? 0 - *x : *x, down = known[o].row_back ? 0 - *y : *y;
    *x = known[o].side ? down : right;
    *y = known[o].side ? right : down;
}

struct view turned_view(int orientation, const uint8_t *stored, int32_t w, int32_t h, int32_t each)
{
    const bool side = turned_on_side(orientation);
    const struct pixel at = turned_to_stored(orientation, w, h, (struct pixel){0, 0}),
                       right = turned_to_stored(orientation, w, h, (struct pixel){1, 0}),
                       down = turned_to_stored(orientation, w, h, (struct pixel){0, 1});
    const ptrdiff_t row = (ptrdiff_t)w * each;
    return (struct view){.first = stored + at.y * row + (ptrdiff_t)at.x * each,
                         .right = (right.y - at.y) * row + (ptrdiff_t)(right.x - at.x) * each,
                         .down = (down.y - at.y) * row + (ptrdiff_t)(down.x - at.x) * each,
                         .width_px = side ? h : w,
                         .height_px = side ? w : h};
}
