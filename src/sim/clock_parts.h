/* clock_parts.h - the demo's subject as shapes: a small brass movement, six millimetres of it, on a slate
 * block.
 *
 * Lengths are in units of a sixth of the frame's width (so the frame is 6 wide whatever its pixels), x to the
 * right, y down, (0, 0) in the middle. Heights are shares of the scene's depth, 0 nearest. */
#ifndef STADDLE_SIM_CLOCK_PARTS_H
#define STADDLE_SIM_CLOCK_PARTS_H

#include <stdbool.h>
#include <stdint.h>

enum part_kind {
    PART_WHEEL,
    PART_DISC,
    PART_SCREW,
    PART_JEWEL,
    PART_BRIDGE,
    PART_PLATE,
    PART_HAIR,
    PART_SLATE
};
enum metal {
    METAL_BRASS,
    METAL_STEEL,
    METAL_BLUED,
    METAL_RUBY,
    METAL_GILT,
    METAL_NICKEL,
    METAL_HAIR,
    METAL_SLATE
};

struct part {
    enum part_kind kind;
    enum metal metal;
    double depth;        /* of its upper face */
    double x, y, radius; /* wheels: to the tip of the teeth */
    double inner; /* wheels: inside of the rim; screws: half the width of the slot; bridges: half width */
    double turn;  /* radians */
    int32_t teeth, spokes;
    double hub;
    double x2, y2; /* bridges: the other end */
};

/* From the nearest to the farthest; the last one covers everything. */
extern const struct part clock_part[];
extern const int32_t clock_parts;

/* How far inside the part a place is (negative: outside), about. */
double part_inside(const struct part *, double x, double y);
/* A box around it. */
void part_box(const struct part *, double *x0, double *y0, double *x1, double *y1);
/* The middle line of the hair at a place along it. */
double hair_line(const struct part *, double x);

#endif
