#include "image/measure.h"

#include "base/mem.h"
#include "image/cells.h"
#include "image/measure_io.h"

struct measure_space {
    struct image picture;
    struct cells_space *cells;
    struct register_space *shifts;
};

struct measure_space *measure_space_new(struct err *why)
{
    struct measure_space *s = mem_new(1, sizeof *s, why);
    if (!s) return NULL;
    s->cells = cells_space_new(why);
    s->shifts = s->cells ? register_space_new(why) : NULL;
    if (s->shifts) return s;
    measure_space_free(s);
    return NULL;
}

void measure_space_free(struct measure_space *s)
{
    if (!s) return;
    image_clear(&s->picture);
    cells_space_free(s->cells);
    register_space_free(s->shifts);
    mem_free(s);
}

struct register_space *measure_space_register(struct measure_space *s)
{
    return s->shifts;
}

int measure_frame(struct measure_space *s, const char *name, const uint8_t *bytes, size_t count,
                  const struct register_view *previous, struct frame_measure *out,
                  struct register_view **view_out, struct image_facts *facts, struct err *why)
{
    struct image_facts found;
    struct frame_measure m;
    struct register_view *view = NULL;
    int rc = image_decode_luma(name, bytes, count, &s->picture, &found, why);
    if (rc) return rc;
    if ((rc = cells_measure(s->cells, name, &s->picture, &m, why))) return rc;
    if (previous || view_out) {
        const uint16_t *const sums[] = {NULL, cells_plane(s->cells, 1), cells_plane(s->cells, 2),
                                        cells_plane(s->cells, 3)};
        view = register_view_from_sums(&s->picture, sums, why);
        if (!view) rc = why ? why->code : E_NOMEM;
    }
    if (!rc && previous) rc = register_shift(s->shifts, previous, view, &m.shift, why);
    if (rc) {
        register_view_free(view);
        frame_measure_clear(&m);
        return rc;
    }
    if (view_out)
        *view_out = view;
    else
        register_view_free(view);
    if (facts) *facts = found;
    *out = m;
    return E_OK;
}
