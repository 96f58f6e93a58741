#include "image/measure.h"

#include "base/mem.h"
#include "image/cells.h"
#include "image/measure_io.h"

struct measure_space {
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
    cells_space_free(s->cells);
    register_space_free(s->shifts);
    mem_free(s);
}

struct register_space *measure_space_register(struct measure_space *s)
{
    return s->shifts;
}

/* One frame on its way from the decoder to the cells. */
struct rows {
    struct cells_space *cells;
    const char *name;
};

static int begin_rows(void *arg, int32_t width_px, int32_t height_px, struct err *why)
{
    const struct rows *r = arg;
    return cells_begin(r->cells, r->name, width_px, height_px, register_scale(width_px, height_px), why);
}

static void take_row(void *arg, const uint8_t *luma, const uint8_t *ends, bool looked)
{
    const struct rows *r = arg;
    cells_row(r->cells, luma, ends, looked);
}

int measure_frame(struct measure_space *s, const char *name, const uint8_t *bytes, size_t count,
                  const struct register_view *previous, struct frame_measure *out,
                  struct register_view **view_out, struct image_facts *facts, struct err *why)
{
    struct image_facts found;
    struct frame_measure m;
    struct register_view *view = NULL;
    struct rows rows = {s->cells, name};
    const struct image_rows to = {begin_rows, take_row, &rows};
    int rc = image_decode_rows(name, bytes, count, &to, &found, why);
    if (!rc) rc = cells_end(s->cells, &m, why);
    if (rc) return rc;
    if (previous || view_out) {
        view = register_view_new(s->shifts, m.width_px, m.height_px, cells_view(s->cells), why);
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
    m.orientation = found.orientation;
    if (facts) *facts = found;
    *out = m;
    return E_OK;
}
