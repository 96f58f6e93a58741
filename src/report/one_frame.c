/* One frame beside itself: alone and with what it gives the stack, or before and after it was taken again. */
#include <math.h>
#include <stdio.h>

#include "image/turned.h"
#include "report/pictures.h"

#define GAP_PX     16
#define WORDS_PX   56
#define WORDS_WIDE 480  /* px that the words below a narrow frame need */
#define PALE       0.86 /* of what other frames show better */
#define SHARP      1.0  /* frames from a tile's peak within which it is sharp */

struct panel {
    struct paper *c;
    int32_t x, w, h;
};

static bool sharpest_here(const struct verdict *v, int32_t tile, int32_t frame)
{
    const struct tile_verdict *t = &v->tiles[tile];
    return t->state == TILE_COVERED && t->peak_count > 0 && fabs((double)t->peak[0] - frame) <= SHARP;
}

int32_t pictures_richest(const struct verdict *v, int32_t *tiles_out)
{
    int32_t best = 0, most = -1;
    for (int32_t i = 0; i < v->frames; i++) {
        int32_t n = 0;
        for (int32_t tile = 0; tile < v->rows * v->cols; tile++)
            n += sharpest_here(v, tile, i);
        if (n > most) most = n, best = i;
    }
    *tiles_out = most;
    return best;
}

static double mask_of(const struct verdict *v, int32_t row, int32_t col, int32_t frame)
{
    row = row < 0 ? 0 : row >= v->rows ? v->rows - 1 : row;
    col = col < 0 ? 0 : col >= v->cols ? v->cols - 1 : col;
    return sharpest_here(v, row * v->cols + col, frame);
}

/* 0..1, at a point of the first frame: how much of it is sharpest in this frame, smooth between tiles. */
static double share_at(const struct verdict *v, int32_t frame, double x_px, double y_px)
{
    const double u = (x_px - v->grid_x_px) / v->tile_px - 0.5, w = (y_px - v->grid_y_px) / v->tile_px - 0.5;
    const int32_t col = (int32_t)floor(u), row = (int32_t)floor(w);
    const double a = u - col, b = w - row;
    const double upper = mask_of(v, row, col, frame) * (1 - a) + mask_of(v, row, col + 1, frame) * a;
    const double lower = mask_of(v, row + 1, col, frame) * (1 - a) + mask_of(v, row + 1, col + 1, frame) * a;
    return upper * (1 - b) + lower * b;
}

static void copy(const struct panel *p, const struct view *from, int32_t x0, int32_t y0)
{
    int32_t stride;
    uint32_t *words = paper_pixels(p->c, &stride);
    for (int32_t y = 0; y < p->h; y++)
        for (int32_t x = 0; x < p->w; x++) {
            const uint8_t *c = view_at(from, x0 + x, y0 + y);
            words[(size_t)y * (size_t)stride + (size_t)(p->x + x)] =
                (uint32_t)c[0] << 16 | (uint32_t)c[1] << 8 | c[2];
        }
    paper_touched(p->c);
}

/* The frame again, paled where another one is sharper. */
static void pale(const struct panel *p, const struct pictures_of *of, int32_t frame, const struct view *from)
{
    const struct frame_place *at = &of->verdict->place[frame];
    const double whole_w = of->measures[0].width_px, whole_h = of->measures[0].height_px;
    const struct rgb paper = PALETTE_PAPER;
    int32_t stride;
    uint32_t *words = paper_pixels(p->c, &stride);
    for (int32_t y = 0; y < p->h; y++)
        for (int32_t x = 0; x < p->w; x++) {
            const double fx = (x + 0.5) / p->w * whole_w, fy = (y + 0.5) / p->h * whole_h;
            const double share =
                share_at(of->verdict, frame, (fx - whole_w / 2 - at->dx_px) / at->scale + whole_w / 2,
                         (fy - whole_h / 2 - at->dy_px) / at->scale + whole_h / 2);
            const double keep = share + (1 - share) * (1 - PALE);
            const uint8_t *c = view_at(from, x, y);
            words[(size_t)y * (size_t)stride + (size_t)(p->x + x)] = paper_word((struct rgb){
                keep * c[0] / 255 + (1 - keep) * paper.r, keep * c[1] / 255 + (1 - keep) * paper.g,
                keep * c[2] / 255 + (1 - keep) * paper.b});
        }
    paper_touched(p->c);
}

static void words_below(const struct panel *p, const char *bold, const char *text)
{
    paper_font(p->c, 14, true);
    paper_text(p->c, p->x, p->h + 22, 0, PALETTE_INK, bold);
    paper_font(p->c, 13, false);
    paper_text(p->c, p->x, p->h + 42, 0, PALETTE_QUIET, text);
}

static int two_panels(struct paper *c, int32_t w, int32_t h, struct panel out[2], struct err *why)
{
    const int32_t room = w < WORDS_WIDE ? WORDS_WIDE : w;
    int rc = paper_init(c, 2 * room + GAP_PX, h + WORDS_PX, PALETTE_PAPER, why);
    if (rc) return rc;
    out[0] = (struct panel){c, 0, w, h};
    out[1] = (struct panel){c, room + GAP_PX, w, h};
    return E_OK;
}

int pictures_frame(const struct pictures_of *of, int32_t frame, int32_t tiles, const struct image_rgb *small,
                   struct drawing *out, struct err *why)
{
    const struct verdict *v = of->verdict;
    const struct view shown = turned_view(v->orientation, small->rgb, small->width_px, small->height_px, 3);
    struct paper c;
    struct panel p[2];
    char bold[96];
    int rc = two_panels(&c, shown.width_px, shown.height_px, p, why);
    if (rc) return rc;
    copy(&p[0], &shown, 0, 0);
    pale(&p[1], of, frame, &shown);
    snprintf(bold, sizeof bold, "slice %d as it was shot", of->rows[frame].slice);
    words_below(&p[0], bold, "most of any single picture is soft");
    snprintf(bold, sizeof bold, "what it gives: %.1f %% of the picture", 100.0 * tiles / (v->rows * v->cols));
    words_below(&p[1], bold, "the parts that are sharpest here; the rest comes from other slices");
    rc = paper_png(&c, PAPER_SIDE_MOST, out, why);
    paper_clear(&c);
    return rc;
}

/* Where the frame shows most fine detail: the sharpest tile that peaks there, px of the frame; else its
 * middle. */
static void detail_at(const struct pictures_of *of, int32_t frame, double *x_px, double *y_px)
{
    const struct verdict *v = of->verdict;
    const struct frame_place *at = &v->place[frame];
    const double w = of->measures[0].width_px, h = of->measures[0].height_px;
    float most = -1;
    *x_px = w / 2;
    *y_px = h / 2;
    for (int32_t tile = 0; tile < v->rows * v->cols; tile++) {
        if (!sharpest_here(v, tile, frame) || v->tiles[tile].sharpness <= most) continue;
        const int32_t row = tile / v->cols;
        most = v->tiles[tile].sharpness;
        *x_px = w / 2 + at->scale * (v->grid_x_px + (tile % v->cols + 0.5) * v->tile_px - w / 2) + at->dx_px;
        *y_px = h / 2 + at->scale * (v->grid_y_px + (row + 0.5) * v->tile_px - h / 2) + at->dy_px;
    }
}

static int32_t window_at(double middle, int32_t size, int32_t whole)
{
    const double most = whole - size, at = fmin(fmax(middle - size / 2.0, 0), most);
    return (int32_t)lround(at);
}

int pictures_retake(const struct pictures_of *of, int32_t frame, const char *reason,
                    const struct image_rgb *before, const struct image_rgb *after, struct drawing *out,
                    struct err *why)
{
    if (before->width_px != after->width_px || before->height_px != after->height_px)
        return fail(why, E_INPUT, "two tries of one slice are not of one size");
    const int32_t o = of->verdict->orientation;
    const struct view a = turned_view(o, before->rgb, before->width_px, before->height_px, 3),
                      b = turned_view(o, after->rgb, after->width_px, after->height_px, 3);
    const int32_t w = b.width_px < PLACE_WIDTH ? b.width_px : PLACE_WIDTH,
                  h = b.height_px < PLACE_HEIGHT ? b.height_px : PLACE_HEIGHT;
    struct paper c;
    struct panel p[2];
    char bold[96];
    double x, y;
    int rc = two_panels(&c, w, h, p, why);
    if (rc) return rc;
    detail_at(of, frame, &x, &y);
    const int32_t x0 = window_at(x, w, b.width_px), y0 = window_at(y, h, b.height_px);
    copy(&p[0], &a, x0, y0);
    copy(&p[1], &b, x0, y0);
    snprintf(bold, sizeof bold, "slice %d, before", of->rows[frame].slice);
    words_below(&p[0], bold, reason);
    words_below(&p[1], "after: taken again, and kept", "both at 100 %, the same place");
    rc = paper_png(&c, PAPER_SIDE_MOST, out, why);
    paper_clear(&c);
    return rc;
}
