/* canvas.h - light that lands: a rectangle of the frame at one of the sizes, and points spread over it. */
#ifndef STADDLE_SIM_CANVAS_H
#define STADDLE_SIM_CANVAS_H

#include "sim/render_plan.h"

struct canvas {
    struct rect at; /* in pixels of its size */
    v4 *light;      /* row by row; NULL: dark */
};

int canvas_init(struct canvas *, struct rect, struct err *);
void canvas_clear(struct canvas *);

static inline v4 *canvas_at(const struct canvas *c, int32_t x, int32_t y)
{
    return c->light + (size_t)(y - c->at.y0) * (size_t)(c->at.x1 - c->at.x0) + (size_t)(x - c->at.x0);
}

/* Draws every block of a sheet that the plan has at this size, as far as its light can reach the canvas. */
void canvas_draw(struct canvas *, const struct render_plan *, const struct sheet_plan *, int level,
                 const struct kernel_set *);

/* Adds a canvas of half the size, enlarged. What lies outside that one counts as dark. */
void canvas_add_half(struct canvas *, const struct canvas *half);

#endif
