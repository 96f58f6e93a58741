#include "sim/clock_parts.h"

#include <math.h>

#define PI 3.141592653589793

const struct part clock_part[] = {
    {PART_HAIR, METAL_HAIR, 0.03, .y = -0.62, .radius = 0.034, .turn = 0.36},
    {PART_SCREW, METAL_BLUED, 0.17, -1.72, -0.98, 0.27, .inner = 0.034, .turn = 0.7},
    {PART_SCREW, METAL_BLUED, 0.19, 0.62, 1.16, 0.25, .inner = 0.032, .turn = 2.1},
    {PART_JEWEL, METAL_RUBY, 0.23, -0.50, 0.14, 0.16, .inner = 0.045},
    {PART_DISC, METAL_GILT, 0.245, -0.50, 0.14, 0.245, .inner = 0},
    {PART_BRIDGE, METAL_GILT, 0.27, -1.72, -0.98, .inner = 0.40, .x2 = 0.62, .y2 = 1.16},
    {PART_DISC, METAL_STEEL, 0.31, 1.42, -0.42, 0.085, .inner = 0},
    {PART_WHEEL, METAL_STEEL, 0.37, 1.42, -0.42, 0.36, .inner = 0.16, .turn = 0.1, .teeth = 14, .hub = 0.36},
    {PART_WHEEL, METAL_BRASS, 0.45, 1.42, -0.42, 1.38, .inner = 1.05, .turn = 0.2, .teeth = 72, .spokes = 5,
     .hub = 0.24},
    {PART_DISC, METAL_STEEL, 0.50, -1.55, 0.78, 0.10, .inner = 0},
    {PART_WHEEL, METAL_BRASS, 0.57, -1.55, 0.78, 1.02, .inner = 0.76, .turn = 0.5, .teeth = 60, .spokes = 4,
     .hub = 0.22},
    {PART_SCREW, METAL_STEEL, 0.66, 2.42, 1.34, 0.24, .inner = 0.03, .turn = 1.1},
    {PART_SCREW, METAL_STEEL, 0.66, -2.52, -1.42, 0.22, .inner = 0.03, .turn = 0.2},
    {PART_SCREW, METAL_BLUED, 0.68, -0.18, -1.62, 0.19, .inner = 0.026, .turn = 2.6},
    {PART_PLATE, METAL_NICKEL, 0.76, 0, 0, .radius = 0.9},
    {PART_SLATE, METAL_SLATE, 0.94, .radius = 0},
};
const int32_t clock_parts = (int32_t)(sizeof clock_part / sizeof clock_part[0]);

static double wheel_inside(const struct part *p, double x, double y)
{
    double r = hypot(x, y), angle = atan2(y, x) - p->turn;
    /* Teeth: a rounded wave, steeper at its flanks. */
    double wave = cos(p->teeth * angle), depth = p->radius * PI / p->teeth * 1.1;
    double tooth = wave / sqrt(0.25 + wave * wave * 0.75);
    double d = (p->radius - depth * (0.5 - 0.5 * tooth) - r) * 0.8;
    if (p->spokes == 0) return d;
    double rim = r - p->inner;
    double arm = 2 * PI / p->spokes, off = angle - arm * round(angle / arm);
    double width =
        0.07 + 0.06 * fabs(r - 0.45 * p->radius) * fabs(r - 0.45 * p->radius) / (p->radius * p->radius) * 4;
    double spoke = width * p->radius - fabs(r * sin(off));
    if (cos(off) < 0) spoke = -1;
    double hub = p->hub - r;
    /* A smooth maximum rounds the corners between arm, hub and rim. */
    double a = fmax(rim, hub), soft = 0.05 * p->radius;
    double h = fmax(soft - fabs(a - spoke), 0) / soft;
    double solid = fmax(a, spoke) + h * h * soft / 4;
    return fmin(d, solid);
}

static double bridge_inside(const struct part *p, double x, double y)
{
    double ax = p->x2 - p->x, ay = p->y2 - p->y,
           t = ((x - p->x) * ax + (y - p->y) * ay) / (ax * ax + ay * ay);
    t = fmin(fmax(t, 0), 1);
    double waist = 1 - 0.22 * sin(PI * t) * sin(PI * t) + 0.1 * sin(2 * PI * t);
    return p->inner * waist - hypot(x - p->x - t * ax, y - p->y - t * ay);
}

/* The plate has openings, through which the slate is seen. */
static double plate_inside(double x, double y)
{
    static const double hole[][3] = {
        {1.42, -0.42, 0.95}, {-2.45, 0.95, 0.42}, {-0.62, 1.72, 0.52}, {-1.05, -1.75, 0.36}};
    double d = 1;
    for (int i = 0; i < 4; i++)
        d = fmin(d, hypot(x - hole[i][0], y - hole[i][1]) - hole[i][2]);
    return d;
}

double hair_line(const struct part *p, double x)
{
    return p->y + p->turn * (x + 0.6) - 0.055 * x * x + 0.10 * sin(0.9 * x + 0.5);
}

double part_inside(const struct part *p, double x, double y)
{
    switch (p->kind) {
    case PART_WHEEL:
        return wheel_inside(p, x - p->x, y - p->y);
    case PART_DISC:
    case PART_SCREW:
    case PART_JEWEL:
        return p->radius - hypot(x - p->x, y - p->y);
    case PART_BRIDGE:
        return bridge_inside(p, x, y);
    case PART_PLATE:
        return plate_inside(x, y);
    case PART_HAIR:
        return p->radius - fabs(y - hair_line(p, x)) * 0.93;
    case PART_SLATE:
        return 1;
    }
    return -1;
}

void part_box(const struct part *p, double *x0, double *y0, double *x1, double *y1)
{
    double r = p->radius;
    switch (p->kind) {
    case PART_WHEEL:
    case PART_DISC:
    case PART_SCREW:
    case PART_JEWEL:
        *x0 = p->x - r, *y0 = p->y - r, *x1 = p->x + r, *y1 = p->y + r;
        return;
    case PART_BRIDGE:
        r = p->inner * 1.2;
        *x0 = fmin(p->x, p->x2) - r, *y0 = fmin(p->y, p->y2) - r;
        *x1 = fmax(p->x, p->x2) + r, *y1 = fmax(p->y, p->y2) + r;
        return;
    case PART_HAIR:
        *x0 = -100, *x1 = 100, *y0 = -2.6, *y1 = 1.1;
        return;
    case PART_PLATE:
    case PART_SLATE:
        *x0 = *y0 = -100, *x1 = *y1 = 100;
        return;
    }
}
