/* film.h - light that lands: a rectangle of the frame at one of the sizes, and points spread over it. */
#ifndef STADDLE_SIM_FILM_H
#define STADDLE_SIM_FILM_H

#include "sim/render_plan.h"

struct film {
    struct rect at; /* in pixels of its size */
    v4 *light;      /* row by row; NULL: dark */
};

int film_init(struct film *, struct rect, struct err *);
void film_clear(struct film *);

static inline v4 *film_at(const struct film *c, int32_t x, int32_t y)
{
    return c->light + (size_t)(y - c->at.y0) * (size_t)(c->at.x1 - c->at.x0) + (size_t)(x - c->at.x0);
}

/* Draws every block of a sheet that the plan has at this size, as far as its light can reach the film. */
void film_draw(struct film *, const struct render_plan *, const struct sheet_plan *, int level,
               const struct kernel_set *);

/* Adds a film of half the size, enlarged by cubics. What lies outside that one counts as dark. */
void film_add_half(struct film *, const struct film *half);

#endif
