/* The sensor's spots over the middle frame: a ring around each shadow of dust, a square around each hot
 * pixel, numbers at both, and a list that says what each is. */
#include <math.h>
#include <stdio.h>

#include "image/measure_io.h"
#include "report/pictures.h"

#define EDGE      16
#define LINE      24
#define COLUMNS   3
#define ROWS_MOST 60
#define RING_MORE 6 /* px of the drawing beyond the shadow */
#define HOT_HALF  8

struct sheet {
    const struct pictures_of *of;
    struct paper paper;
    double scale; /* drawing over picture */
};

/* Ink with a light line around it shows on any picture. */
static void outline(struct sheet *s, struct rgb ink, void (*path)(cairo_t *, double, double, double),
                    double x, double y, double r)
{
    cairo_t *cr = s->paper.cr;
    for (int turn = 0; turn < 2; turn++) {
        path(cr, x, y, r);
        cairo_set_line_width(cr, turn ? 2 : 5);
        paper_ink(&s->paper, turn ? ink : PALETTE_PAPER, turn ? 1 : 0.8);
        cairo_stroke(cr);
    }
}

static void ring(cairo_t *cr, double x, double y, double r)
{
    cairo_new_path(cr);
    cairo_arc(cr, x, y, r, 0, 2 * M_PI);
}

static void square(cairo_t *cr, double x, double y, double r)
{
    cairo_new_path(cr);
    cairo_rectangle(cr, x - r, y - r, 2 * r, 2 * r);
}

static void number(struct sheet *s, double x, double y, int32_t n)
{
    char text[12];
    snprintf(text, sizeof text, "%d", (int)n);
    paper_font(&s->paper, 14, true);
    const double w = paper_text_width(&s->paper, text) + 6;
    paper_fill(&s->paper, x, y - 14, w, 18, PALETTE_PAPER);
    paper_text(&s->paper, x + 3, y, 0, PALETTE_INK, text);
}

static void mark(struct sheet *s, const struct sensor_spot *spot, int32_t n)
{
    const double x = EDGE + spot->x_px * s->scale, y = EDGE + spot->y_px * s->scale;
    const double r = spot->hot ? HOT_HALF : spot->size_px * s->scale / 2 + RING_MORE;
    outline(s, spot->hot ? PALETTE_ALARM : PALETTE_CAREFUL, spot->hot ? square : ring, x, y, r);
    const bool right = x + r + 30 > s->paper.w - EDGE;
    number(s, right ? x - r - 24 : x + r + 3, y + 5, n);
}

static void list_row(struct sheet *s, const struct sensor_spot *spot, int32_t n, double x, double y)
{
    char text[128];
    if (spot->hot)
        snprintf(text, sizeof text, "%d  hot pixel at x %.0f, y %.0f: +%.0f", (int)n, spot->x_px, spot->y_px,
                 spot->strength);
    else
        snprintf(text, sizeof text, "%d  dust at x %.0f, y %.0f, %.0f px: takes %.0f %%", (int)n, spot->x_px,
                 spot->y_px, spot->size_px, 100 * spot->strength);
    paper_font(&s->paper, 14, false);
    paper_text(&s->paper, x, y, 0, PALETTE_INK, text);
}

static int32_t listed(const struct verdict *v)
{
    return v->spot_count < ROWS_MOST ? v->spot_count : ROWS_MOST;
}

/* Below the line of words. */
static int32_t line_of(int32_t row)
{
    return 1 + row / COLUMNS;
}

static void write_list(struct sheet *s, double top)
{
    const struct verdict *v = s->of->verdict;
    const double column = (s->paper.w - 2.0 * EDGE) / COLUMNS;
    const char *legend =
        "On the sensor, whatever the subject does: rings are shadows of dust, squares hot pixels";
    paper_font(&s->paper, 14, true);
    paper_text(&s->paper, EDGE, top, 0, PALETTE_INK, legend);
    for (int32_t i = 0; i < listed(v); i++)
        list_row(s, &v->spots[i], i + 1, EDGE + column * (i % COLUMNS), top + LINE * line_of(i));
    if (v->spot_count > ROWS_MOST)
        paper_text(&s->paper, EDGE, top + LINE * line_of(ROWS_MOST), 0, PALETTE_INK, "and more");
}

static int draw(struct sheet *s, const struct frame_measure *m, struct drawing *out, struct err *why)
{
    const struct verdict *v = s->of->verdict;
    const double w = s->scale * m->width_px, h = s->scale * m->height_px;
    const int32_t lines = (listed(v) + COLUMNS - 1) / COLUMNS + (v->spot_count > ROWS_MOST ? 1 : 0);
    const int32_t tall = (int32_t)lrint(h) + 2 * EDGE + LINE * (lines + 1) + EDGE;
    int rc = paper_init(&s->paper, COVERAGE_WIDTH, tall, PALETTE_PAPER, why);
    if (rc) return rc;
    if (m->thumb) rc = paper_gray(&s->paper, m->thumb, m->thumb_w, m->thumb_h, EDGE, EDGE, w, h, why);
    for (int32_t i = 0; i < v->spot_count && !rc; i++)
        mark(s, &v->spots[i], i + 1);
    write_list(s, h + 2 * EDGE + 14);
    if (!rc) rc = paper_png(&s->paper, PAPER_SIDE_MOST, out, why);
    paper_clear(&s->paper);
    return rc;
}

int pictures_spots(const struct pictures_of *p, struct drawing *out, struct err *why)
{
    const struct verdict *v = p->verdict;
    const int32_t middle = (v->useful_first + v->useful_last) / 2;
    struct frame_measure room = {0};
    const struct frame_measure *m;
    *out = (struct drawing){0};
    if (!v->spot_count) return E_OK;
    int rc = pictures_bring(p, middle < 0 ? 0 : middle, &room, &m, why);
    if (rc) return rc;
    struct sheet s = {.of = p};
    /* As wide as the paper, but a tall picture no taller than that. */
    const double side = COVERAGE_WIDTH - 2.0 * EDGE;
    s.scale = side / (m->width_px > m->height_px ? m->width_px : m->height_px);
    rc = draw(&s, m, out, why);
    frame_measure_clear(&room);
    return rc;
}
