#include "image/turned.h"

/* Row 0 is the visual top (or, on its side, the visual left) unless `row_back`; likewise column 0. */
static const struct {
    bool side, row_back, column_back;
} known[9] = {
    [2] = {false, false, true}, [3] = {false, true, true}, [4] = {false, true, false},
    [5] = {true, false, false}, [6] = {true, true, false}, [7] = {true, true, true},
    [8] = {true, false, true},
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

struct pixel turned_to_shown(int orientation, int32_t w, int32_t h, struct pixel p)
{
    const int o = sane(orientation);
    const int32_t column = known[o].column_back ? w - 1 - p.x : p.x;
    const int32_t row = known[o].row_back ? h - 1 - p.y : p.y;
    return known[o].side ? (struct pixel){row, column} : (struct pixel){column, row};
}

struct pixel turned_to_stored(int orientation, int32_t w, int32_t h, struct pixel p)
{
    const int o = sane(orientation);
    const int32_t column = known[o].side ? p.y : p.x, row = known[o].side ? p.x : p.y;
    return (struct pixel){known[o].column_back ? w - 1 - column : column,
                          known[o].row_back ? h - 1 - row : row};
}
