/* The ridge: how sharp each depth of the subject is in each frame. Frames go to the right, depths down; along
 * the ridge each depth is in focus, and where something lies and nothing is dark, a slice is missing. To its
 * right: how much of the subject lies at each depth. Colour is that of the map, paler where it is less sharp.
 */
#include <math.h>
#include <stdio.h>

#include "base/units.h"
#include "report/coverage.h"
#include "report/sentence.h"

#define LEFT       112.0
#define TOP        76.0
#define PLOT_W     860.0
#define PLOT_H     520.0
#define BARS_X     (LEFT + PLOT_W + 28)
#define BARS_W     170.0
#define BEYOND_H   22.0 /* of the strip for what lies beyond an end */
#define TILES_TELL 4.0  /* fewer are drawn paler */
#define BOTTOM     82.0

struct chart {
    const struct pictures_of *of;
    const struct verdict *v;
    const struct ridge *r;
    struct paper c;
    double column, row; /* px of one spacing, of one depth */
    double top;         /* of the plot */
};

static double x_of(const struct chart *h, double place)
{
    return LEFT + (place + 0.5) * h->column;
}

static double y_of(const struct chart *h, double place)
{
    return h->top + (place / h->r->depth_spacings + 0.5) * h->row;
}

/* The frame, fractional, that stands at a place. */
static double frame_at(const struct chart *h, double place)
{
    const double *at = h->r->place;
    for (int32_t i = 0; i + 1 < h->v->frames; i++)
        if (place <= at[i + 1]) return i + fmax(0, (place - at[i]) / (at[i + 1] - at[i]));
    return h->v->frames - 1;
}

static struct rgb shade(struct lab full, double sharpness)
{
    const struct lab paper = palette_lab(PALETTE_PAPER);
    return palette_rgb((struct lab){paper.l + sharpness * (full.l - paper.l),
                                    paper.a + sharpness * (full.a - paper.a),
                                    paper.b + sharpness * (full.b - paper.b)});
}

static void draw_depth(struct chart *h, int32_t depth, int32_t most)
{
    const struct ridge *r = h->r;
    const double place = depth * r->depth_spacings, y = y_of(h, place - r->depth_spacings / 2);
    const struct lab colour = palette_scale_lab(pictures_scale_at(h->v, frame_at(h, place)));
    if (!r->tiles[depth]) return;
    const float *sharpness = r->sharpness + (size_t)depth * (size_t)h->v->frames;
    const double weight = fmin(r->tiles[depth] / TILES_TELL, 1);
    for (int32_t i = 0; i < h->v->frames; i++)
        paper_fill(&h->c, x_of(h, r->place[i] - 0.5), y, h->column, h->row,
                   shade(colour, weight * fmin(fmax((double)sharpness[i], 0), 1)));
    paper_fill(&h->c, BARS_X, y, fmax(1, BARS_W * r->tiles[depth] / most), fmax(1, h->row - 1),
               palette_rgb(colour));
}

static void draw_depths(struct chart *h)
{
    int32_t most = 1;
    for (int32_t d = 0; d < h->r->depths; d++)
        most = h->r->tiles[d] > most ? h->r->tiles[d] : most;
    cairo_set_antialias(h->c.cr, CAIRO_ANTIALIAS_NONE);
    for (int32_t d = 0; d < h->r->depths; d++)
        draw_depth(h, d, most);
    cairo_set_antialias(h->c.cr, CAIRO_ANTIALIAS_DEFAULT);
    paper_frame(&h->c, LEFT - 0.5, h->top - 0.5, PLOT_W + 1, h->row * h->r->depths + 1, PALETTE_LINE, 1);
}

static void draw_gaps(struct chart *h)
{
    for (int32_t g = 0; g < h->v->gap_count; g++) {
        const struct gap *gap = &h->v->gaps[g];
        const double x0 = x_of(h, h->r->place[gap->after] + 0.5),
                     x1 = x_of(h, h->r->place[gap->after + 1] - 0.5);
        char text[48];
        map_hatch(&h->c, x0, h->top, x1 - x0, h->row * h->r->depths, TILE_GAP);
        snprintf(text, sizeof text, "%d missing", gap->missing);
        paper_font(&h->c, 13, true);
        paper_text(&h->c, fmin((x0 + x1) / 2, LEFT + PLOT_W - 40), h->top - 8, 0.5, PALETTE_ALARM, text);
    }
}

/* What no slice shows sharp has no depth of its own here: a strip before, or behind, all depths. */
static void draw_beyond(struct chart *h, double share, enum tile_state state, double y)
{
    char text[160], percent[SHARE_ROOM];
    if (!(share > 0)) return;
    sentence_share(share, 1, percent);
    snprintf(text, sizeof text, "%s: %s of what has texture", sentence_where(h->v, state), percent);
    map_hatch(&h->c, LEFT, y, PLOT_W, BEYOND_H - 4, state);
    paper_font(&h->c, 13, true);
    const double w = paper_text_width(&h->c, text) + 16;
    paper_fill(&h->c, LEFT + 8, y, w, BEYOND_H - 4, PALETTE_PAPER);
    paper_text(&h->c, LEFT + 16, y + 14, 0, PALETTE_ALARM, text);
}

/* Every how many of something a number has room. */
static int32_t stride(double px_each, double px_least)
{
    static const int32_t steps[] = {1, 2, 5, 10, 20, 50, 100, 200, 500};
    for (size_t k = 0; k < sizeof steps / sizeof *steps; k++)
        if (steps[k] * px_each >= px_least) return steps[k];
    return 1000;
}

/* Below each column whether the slice is needed: filled, or hollow, or faint outside the useful range. */
static void draw_frames(struct chart *h, double y)
{
    const struct verdict *v = h->v;
    const int32_t every = stride(h->column, 34);
    paper_font(&h->c, 13, false);
    for (int32_t i = 0; i < v->frames; i++) {
        const double x = x_of(h, h->r->place[i]), side = fmin(fmax(h->column - 2, 1), 8);
        const bool useful = v->useful_first >= 0 && i >= v->useful_first && i <= v->useful_last;
        if (!useful || pictures_listed(&v->unneeded, i))
            paper_frame(&h->c, x - side / 2 + 0.5, y + 0.5, side - 1, 7,
                        useful ? PALETTE_QUIET : PALETTE_LINE, 1);
        else
            paper_fill(&h->c, x - side / 2, y, side, 8, PALETTE_INK);
        if (pictures_listed(&v->blurred, i)) paper_text(&h->c, x, h->top - 8, 0.5, PALETTE_ALARM, "blurred");
        if (h->of->rows[i].slice % every && i) continue;
        char text[16];
        snprintf(text, sizeof text, "%d", h->of->rows[i].slice);
        paper_text(&h->c, x, y + 26, 0.5, PALETTE_INK, text);
    }
}

/* Depth in um from the first frame; NAN where the axis' places are not known. */
static double depth_um(const struct chart *h, int32_t frame)
{
    const int64_t from = h->of->rows[0].target_nm, to = h->of->rows[frame].target_nm;
    return from == STACK_NONE || to == STACK_NONE ? NAN : fabs(um_from_nm(to - from));
}

static void depth_word(struct chart *h, double place, const char *text)
{
    paper_text(&h->c, LEFT - 10, y_of(h, place) + 4, 1, PALETTE_INK, text);
}

static void draw_um(struct chart *h, double deep_um)
{
    const double step_um = 10 * stride(10 * h->row * h->r->depths / deep_um, 40);
    double next_um = 0;
    char text[32];
    for (int32_t i = 0; i + 1 < h->v->frames; i++) {
        const double a = depth_um(h, i), b = depth_um(h, i + 1), *at = &h->r->place[i];
        for (; next_um >= a && next_um < b; next_um += step_um) {
            snprintf(text, sizeof text, "%.0f", next_um);
            depth_word(h, at[0] + (next_um - a) / (b - a) * (at[1] - at[0]), text);
        }
    }
}

/* At round depths where the places are known, else at the slices that show them. */
static void draw_depth_words(struct chart *h)
{
    const double deep_um = depth_um(h, h->v->frames - 1);
    const int32_t every = stride(h->row / h->r->depth_spacings, 30);
    char text[32];
    paper_font(&h->c, 13, false);
    paper_text(&h->c, LEFT - 10, TOP - 26, 1, PALETTE_QUIET, deep_um > 0 ? "depth, um" : "sharp in slice");
    if (deep_um > 0) draw_um(h, deep_um);
    for (int32_t i = 0; !(deep_um > 0) && i < h->v->frames; i++) {
        if (h->of->rows[i].slice % every && i) continue;
        snprintf(text, sizeof text, "%d", h->of->rows[i].slice);
        depth_word(h, h->r->place[i], text);
    }
}

static void draw_words(struct chart *h, double y)
{
    paper_font(&h->c, 15, true);
    paper_text(&h->c, LEFT, 28, 0, PALETTE_INK, "How sharp each depth is in each slice");
    paper_font(&h->c, 13, false);
    paper_text(&h->c, BARS_X, TOP - 26, 0, PALETTE_QUIET, "how much lies there");
    paper_text(&h->c, LEFT, y + 26, 1.4, PALETTE_QUIET, "slice");
    paper_text(&h->c, LEFT, y + 54, 0, PALETTE_QUIET,
               "Full colour: in focus; pale: out of it, or hardly anything lies there. Filled marks: needed; "
               "hollow: the "
               "slice adds nothing.");
}

static void draw_chart(struct chart *h)
{
    const struct verdict *v = h->v;
    const double bottom = h->top + h->row * h->r->depths;
    draw_depths(h);
    draw_gaps(h);
    draw_beyond(h, v->unsharp_before_fraction, TILE_UNSHARP_BEFORE, h->top - BEYOND_H);
    draw_beyond(h, v->unsharp_after_fraction, TILE_UNSHARP_AFTER, bottom + 4);
    const double marks = bottom + 8 + (v->unsharp_after_fraction > 0 ? BEYOND_H : 0);
    draw_frames(h, marks);
    draw_depth_words(h);
    draw_words(h, marks);
}

int pictures_ridge(const struct pictures_of *of, struct drawing *out, struct err *why)
{
    const struct ridge *r = &of->verdict->ridge;
    if (of->verdict->frames < 1 || r->depths < 1) return fail(why, E_INPUT, "there is no frame to show");
    struct chart h = {.of = of, .v = of->verdict, .r = r};
    h.column = PLOT_W / (r->place[h.v->frames - 1] + 1);
    h.row = PLOT_H / r->depths;
    h.top = TOP + (h.v->unsharp_before_fraction > 0 ? BEYOND_H : 0);
    const double tall = h.top + PLOT_H + BOTTOM + (h.v->unsharp_after_fraction > 0 ? BEYOND_H : 0);
    int rc = paper_init(&h.c, COVERAGE_WIDTH, (int32_t)tall, PALETTE_PAPER, why);
    if (rc) return rc;
    draw_chart(&h);
    rc = paper_png(&h.c, PAPER_SIDE_MOST, out, why);
    paper_clear(&h.c);
    return rc;
}
