/* cmd_measure.c - staddle measure FILE... */
#include <math.h>
#include <string.h>

#include "base/fs.h"
#include "base/json.h"
#include "base/mem.h"
#include "cmd.h"
#include "image/cells.h"
#include "image/measure.h"
#include "image/measure_io.h"

#define FILE_BYTES_MOST ((size_t)1 << 31)
#define NAME_COLUMN     24

/* One number of every cell, row by row. */
static json_t *grid(const struct frame_measure *m, double (*value)(const struct measure_cell *, int),
                    int which)
{
    json_t *rows = json_array();
    for (int32_t r = 0; r < m->rows; r++) {
        json_t *row = json_array();
        for (int32_t c = 0; c < m->cols; c++)
            json_array_append_new(row, json_rounded(value(&m->cells[r * m->cols + c], which), 4));
        json_array_append_new(rows, row);
    }
    return rows;
}

static double cell_mean(const struct measure_cell *cell, int which)
{
    (void)which;
    return (double)cell->mean;
}

static double cell_clipped(const struct measure_cell *cell, int which)
{
    (void)which;
    return (double)cell->clipped;
}

static double cell_direction(const struct measure_cell *cell, int which)
{
    return (double)cell->direction[which];
}

static json_t *cells_json(const struct frame_measure *m, bool whole)
{
    json_t *out =
        json_pack("{s:i, s:i, s:i}", "cell_px", (int)m->cell_px, "rows", (int)m->rows, "cols", (int)m->cols);
    if (!whole) return out;
    json_t *variance = json_array(), *direction = json_array();
    for (int i = 0; i < MEASURE_SCALES; i++)
        json_array_append_new(variance, grid(m, cell_variance, i));
    for (int i = 0; i < MEASURE_DIRECTIONS; i++)
        json_array_append_new(direction, grid(m, cell_direction, i));
    json_object_set_new(out, "variance", variance);
    json_object_set_new(out, "direction", direction);
    json_object_set_new(out, "mean", grid(m, cell_mean, 0));
    json_object_set_new(out, "clipped_fraction", grid(m, cell_clipped, 0));
    return out;
}

static json_t *shift_json(const struct frame_measure *m)
{
    const struct frame_shift *s = &m->shift;
    json_t *out = json_object();
    const bool told = s->trust != SHIFT_NONE;
    json_object_set_new(out, "dx_px", told ? json_rounded((double)s->dx_px, 3) : json_null());
    json_object_set_new(out, "dy_px", told ? json_rounded((double)s->dy_px, 3) : json_null());
    json_object_set_new(out, "scale", told ? json_rounded((double)s->scale, 6) : json_null());
    json_object_set_new(out, "trust", json_text(shift_trust_name(s->trust)));
    json_object_set_new(out, "confidence", json_rounded((double)s->confidence, 3));
    return out;
}

static json_t *sharpness_json(const struct frame_measure *m)
{
    json_t *out = json_array();
    for (int i = 0; i < MEASURE_SCALES; i++)
        json_array_append_new(out, json_rounded(frame_sharpness(m, i), 3));
    return out;
}

static json_t *or_null(double value)
{
    return value > 0 ? json_rounded(value, 3) : json_null();
}

static void add_facts(json_t *out, const struct image_facts *f)
{
    json_object_set_new(out, "kind", json_text(image_kind_name(f->kind)));
    json_object_set_new(out, "width_px", json_integer(f->width_px));
    json_object_set_new(out, "height_px", json_integer(f->height_px));
    json_object_set_new(out, "reduced", json_boolean(f->reduced));
    json_object_set_new(out, "orientation", f->orientation ? json_integer(f->orientation) : json_null());
    const bool timed = f->captured_wall_us != INT64_MIN;
    json_object_set_new(out, "captured", timed ? json_utc(f->captured_wall_us) : json_null());
    json_object_set_new(out, "captured_zone_known",
                        timed ? json_boolean(f->captured_zone_known) : json_null());
    json_object_set_new(out, "exposure_s", f->exposure_us ? json_s(f->exposure_us) : json_null());
    json_object_set_new(out, "f_number", or_null(f->f_number));
    json_object_set_new(out, "iso", or_null(f->iso));
}

static json_t *frame_json(const char *path, const struct image_facts *f, const struct frame_measure *m,
                          bool compared, bool cells)
{
    json_t *out = json_object();
    json_object_set_new(out, "file", json_text(path));
    add_facts(out, f);
    json_object_set_new(out, "mean", json_rounded((double)m->mean, 3));
    json_object_set_new(out, "mean_linear", json_rounded((double)m->mean_linear, 6));
    json_object_set_new(out, "clipped_high_fraction", json_rounded((double)m->clipped_high, 6));
    json_object_set_new(out, "clipped_low_fraction", json_rounded((double)m->clipped_low, 6));
    json_object_set_new(out, "noise", json_rounded((double)m->noise, 3));
    json_object_set_new(out, "sharpness", sharpness_json(m));
    json_object_set_new(out, "shift", compared ? shift_json(m) : json_null());
    json_object_set_new(out, "cells", cells_json(m, cells));
    return out;
}

/* What is kept from one file to the next. */
struct measuring {
    struct measure_space *space;
    struct register_view *view;
    int32_t width_px, height_px;
    bool cells;
};

static int measure_file(struct measuring *all, const char *path, json_t *frames, struct err *why)
{
    uint8_t *bytes;
    size_t count;
    int rc = fs_read(path, FILE_BYTES_MOST, &bytes, &count, why);
    if (rc) return rc;
    struct image_facts facts;
    struct frame_measure m;
    struct register_view *view;
    rc = measure_frame(all->space, path, bytes, count, NULL, &m, &view, &facts, why);
    mem_free(bytes);
    if (rc) return rc;
    const bool compared = all->view && all->width_px == m.width_px && all->height_px == m.height_px;
    if (compared) rc = register_shift(measure_space_register(all->space), all->view, view, &m.shift, why);
    if (!rc) json_array_append_new(frames, frame_json(path, &facts, &m, compared, all->cells));
    register_view_free(all->view);
    all->view = view;
    all->width_px = m.width_px;
    all->height_px = m.height_px;
    frame_measure_clear(&m);
    return rc;
}

/* The end of a long path, behind dots. */
static const char *short_name(const char *path, char *room, size_t size)
{
    const size_t n = strlen(path);
    if (n <= NAME_COLUMN) return path;
    snprintf(room, size, "...%s", path + n - (NAME_COLUMN - 3));
    return room;
}

static void print_share(FILE *out, double share)
{
    if (share == 0)
        fprintf(out, "  %8s", "none");
    else if (share < 0.0001)
        fprintf(out, "  %8s", "<0.01 %");
    else
        fprintf(out, "  %6.2f %%", 100 * share);
}

static void print_shift(FILE *out, const json_t *frame, bool first)
{
    const json_t *shift = json_object_get(frame, "shift");
    const char *trust = json_get_text(shift, "trust");
    if (!json_is_object(shift)) {
        fputs(first ? "-" : "other size than the one before", out);
    } else if (!strcmp(trust, "none")) {
        fputs("nothing in common with the one before", out);
    } else {
        const double percent = 100 * (json_get_number(shift, "scale") - 1);
        fprintf(out, "%+8.2f %+8.2f px %+7.3f %%  %s", json_get_number(shift, "dx_px"),
                json_get_number(shift, "dy_px"), fabs(percent) < 0.0005 ? 0 : percent, trust);
    }
}

static void text(FILE *out, const json_t *result)
{
    fprintf(out, "%-*s  %13s  %5s  %8s  %8s  %5s  %9s  %s\n", NAME_COLUMN, "file", "pixels", "mean",
            "too light", "black", "noise", "sharpness", "moved, and grown, against the one before");
    size_t i;
    json_t *frame;
    json_array_foreach (json_object_get(result, "frames"), i, frame) {
        char room[NAME_COLUMN + 1], size[32];
        snprintf(size, sizeof size, "%.0f x %.0f%s", json_get_number(frame, "width_px"),
                 json_get_number(frame, "height_px"),
                 json_is_true(json_object_get(frame, "reduced")) ? "*" : "");
        fprintf(out, "%-*s  %13s  %5.1f", NAME_COLUMN,
                short_name(json_get_text(frame, "file"), room, sizeof room), size,
                json_get_number(frame, "mean"));
        print_share(out, json_get_number(frame, "clipped_high_fraction"));
        print_share(out, json_get_number(frame, "clipped_low_fraction"));
        fprintf(out, "  %5.1f  %9.1f  ", json_get_number(frame, "noise"),
                json_number_value(json_array_get(json_object_get(frame, "sharpness"), 0)));
        print_shift(out, frame, i == 0);
        fputc('\n', out);
    }
    json_array_foreach (json_object_get(result, "frames"), i, frame) {
        if (!json_is_true(json_object_get(frame, "reduced"))) continue;
        fputs("* of a raw: its preview, or developed at half size\n", out);
        break;
    }
}

static int run(struct cmd *c, struct err *why)
{
    struct measuring all = {.space = measure_space_new(why), .cells = cmd_flag(c, "cells")};
    if (!all.space) return E_NOMEM;
    json_t *result = cmd_result(c), *frames = json_array();
    json_object_set_new(result, "frames", frames);
    int rc = E_OK;
    for (int i = 0; i < cmd_operand_count(c) && !rc; i++)
        rc = measure_file(&all, cmd_operand(c, i), frames, why);
    register_view_free(all.view);
    measure_space_free(all.space);
    if (rc)
        json_decref(result);
    else
        cmd_print(c, result, text);
    return rc;
}

static const struct option_row options[] = {
    {"cells", NULL, "with --json: every cell's numbers, too"},
    {NULL, NULL, NULL},
};

const struct verb verb_measure = {
    .name = "measure",
    .operands = "FILE...",
    .least = 1,
    .most = -1,
    .summary = "say how sharp, how light and how shifted picture files are",
    .about =
        "Measures JPEG, PNG, TIFF and raw files, in the order given. For each: its mean (0 to 255), the "
        "share of\n"
        "pixels that are clipped (a colour at its upper end; black), noise and sharpness (sigma and variance "
        "of\n"
        "the Laplacian, comparable only between frames of one stack), and how far it moved and by how much "
        "it\n"
        "grew against the file before it, in pixels as stored; the last word says how much to trust that.\n"
        "A raw is measured from its preview when that is at least half as wide, else developed at half size.",
    .options = options,
    .run = run,
};
