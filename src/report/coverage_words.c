/* The words on the coverage map. */
#include <math.h>
#include <stdio.h>

#include "base/mem.h"
#include "report/coverage.h"
#include "report/sentence.h"

/* Slice numbers on the tint, every few tiles, where a block is mostly of one depth. */
void map_write_numbers(struct map *m)
{
    const int32_t block = (int32_t)fmax(2, ceil(64 / m->tile));
    paper_font(&m->c, 12, false);
    for (int32_t row = 0; row + block <= m->v->rows; row += block)
        for (int32_t col = 0; col + block <= m->v->cols; col += block) {
            double sum = 0, square = 0;
            int32_t n = 0;
            for (int32_t r = row; r < row + block; r++)
                for (int32_t k = col; k < col + block; k++) {
                    const struct tile_verdict *t = &m->v->tiles[(size_t)r * (size_t)m->v->cols + (size_t)k];
                    if (t->state != TILE_COVERED || !t->peak_count) continue;
                    sum += (double)t->peak[0];
                    square += (double)t->peak[0] * (double)t->peak[0];
                    n++;
                }
            if (4 * n < 3 * block * block) continue;
            const double mean = sum / n, spread = sqrt(fmax(0, square / n - mean * mean));
            if (spread > fmax(2.5, m->v->frames / 16.0)) continue;
            char text[16];
            const int32_t frame = (int32_t)fmin(fmax(round(mean), 0), m->v->frames - 1);
            snprintf(text, sizeof text, "%d", m->of->rows[frame].slice);
            paper_text(&m->c, map_x(m, col + block / 2.0), map_y(m, row + block / 2.0) + 4, 0.5,
                       palette_ink_on(palette_scale(pictures_scale_at(m->v, mean))), text);
        }
}

/* Moves a label up or down until it hides no weak place. */
static double clear_of_places(const struct map *m, double x, double y, double w, double h)
{
    double px, py;
    for (int32_t i = 0; i < m->v->weakest_count; i++) {
        if (!map_place_at(m, i, &px, &py)) continue;
        const double reach = m->tile + 34;
        if (px < x - reach || px > x + w + reach || py < y - reach || py > y + h + reach) continue;
        y = py + reach + h < m->h ? py + reach : py - reach - h;
    }
    return y;
}

static void label(struct map *m, double x, double y, const char *text)
{
    paper_font(&m->c, 14, true);
    const double w = paper_text_width(&m->c, text) + 16, h = 26;
    x = fmin(fmax(x - w / 2, 4), m->w - w - 4);
    y = fmin(fmax(clear_of_places(m, x, y - h / 2, w, h), 4), m->h - h - 4);
    paper_fill(&m->c, x, y, w, h, PALETTE_PAPER);
    paper_frame(&m->c, x, y, w, h, PALETTE_ALARM, 2);
    paper_text(&m->c, x + 8, y + 18, 0, PALETTE_ALARM, text);
}

struct patch {
    int32_t tiles;
    double x, y; /* of the member nearest to its middle, in tiles */
};

/* The connected patch of one state that holds `start`; its tiles are marked in `seen`. `queue` is as long as
 * the grid. */
static struct patch flood(const struct map *m, int32_t start, uint8_t *seen, int32_t *queue)
{
    static const int32_t dr[] = {-1, 1, 0, 0}, dc[] = {0, 0, -1, 1};
    const enum tile_state s = m->v->tiles[start].state;
    int32_t head = 0, tail = 0;
    double sx = 0, sy = 0;
    queue[tail++] = start;
    seen[start] = 1;
    while (head < tail) {
        const int32_t at = queue[head++], row = at / m->v->cols, col = at % m->v->cols;
        sx += col, sy += row;
        for (int k = 0; k < 4; k++) {
            if (map_state_of(m, row + dr[k], col + dc[k]) != s) continue;
            const int32_t next = (row + dr[k]) * m->v->cols + col + dc[k];
            if (next < 0 || next >= m->v->rows * m->v->cols || seen[next]) continue;
            seen[next] = 1;
            queue[tail++] = next;
        }
    }
    struct patch p = {tail, 0, 0};
    double nearest = HUGE_VAL;
    for (int32_t i = 0; i < tail; i++) {
        const int32_t x = queue[i] % m->v->cols, y = queue[i] / m->v->cols;
        const double d = hypot(x - sx / tail, y - sy / tail);
        if (d < nearest) nearest = d, p.x = x, p.y = y;
    }
    return p;
}

/* The largest patch of each unsharp state is named in place. */
int map_name_patches(struct map *m, struct err *why)
{
    const int32_t tiles = m->v->rows * m->v->cols;
    struct patch largest[TILE_GAP + 1] = {0};
    int32_t *queue = mem_new((size_t)tiles, sizeof *queue, why);
    uint8_t *seen = queue ? mem_new((size_t)tiles, 1, why) : NULL;
    for (int32_t i = 0; seen && i < tiles; i++) {
        const enum tile_state s = m->v->tiles[i].state;
        if (seen[i] || !map_unsharp(s)) continue;
        const struct patch p = flood(m, i, seen, queue);
        if (p.tiles > largest[s].tiles) largest[s] = p;
    }
    for (enum tile_state s = TILE_UNSHARP_BEFORE; seen && s <= TILE_GAP; s++)
        if (largest[s].tiles >= 3)
            label(m, map_x(m, largest[s].x + 0.5), map_y(m, largest[s].y + 0.5), sentence_where(m->v, s));
    const int rc = seen ? E_OK : E_NOMEM;
    mem_free(queue);
    mem_free(seen);
    return rc;
}

static void draw_scale(struct map *m, double x, double y, double w)
{
    const struct verdict *v = m->v;
    for (int32_t i = 0; i < (int32_t)w; i++)
        paper_fill(&m->c, x + i, y, 1, 18, palette_scale(i / w));
    paper_font(&m->c, 13, false);
    if (v->useful_first < 0) return;
    const int32_t span = v->useful_last - v->useful_first, ticks = span < 8 ? (span > 0 ? span : 1) : 8;
    for (int32_t k = 0; k <= ticks; k++) {
        const int32_t frame = v->useful_first + (int32_t)lround((double)span * k / ticks);
        const double at = x + w * (span ? pictures_scale_at(v, frame) : (double)k / ticks);
        char text[16];
        snprintf(text, sizeof text, "%d", m->of->rows[frame].slice);
        paper_fill(&m->c, fmin(at, x + w - 1), y + 18, 1, 5, PALETTE_INK);
        paper_text(&m->c, at, y + 38, 0.5, PALETTE_INK, text);
    }
}

static double legend_entry(struct map *m, double x, double y, enum tile_state s)
{
    char text[96];
    int32_t tiles = 0, looked_at = 0;
    for (int32_t i = 0; i < m->v->rows * m->v->cols; i++) {
        tiles += m->v->tiles[i].state == s;
        looked_at += m->v->tiles[i].state != TILE_OUTSIDE;
    }
    if (!tiles) return x;
    paper_fill(&m->c, x, y, 22, 18, palette_rgb((struct lab){s == TILE_OUTSIDE ? 0.55 : 0.86, 0, 0}));
    if (map_unsharp(s)) map_hatch(&m->c, x, y, 22, 18, s);
    if (s == TILE_NO_TEXTURE) {
        paper_ink(&m->c, PALETTE_QUIET, 1);
        cairo_arc(m->c.cr, x + 11, y + 9, 2, 0, 2 * M_PI);
        cairo_fill(m->c.cr);
    }
    paper_frame(&m->c, x, y, 22, 18, map_unsharp(s) ? PALETTE_ALARM : PALETTE_QUIET, 1);
    if (s == TILE_OUTSIDE)
        snprintf(text, sizeof text, "%s", sentence_where(m->v, s));
    else
        snprintf(text, sizeof text, "%s (%.1f %%)", sentence_where(m->v, s), 100.0 * tiles / looked_at);
    paper_font(&m->c, 13, false);
    paper_text(&m->c, x + 30, y + 14, 0, PALETTE_INK, text);
    return x + 30 + paper_text_width(&m->c, text) + 26;
}

void map_draw_legend(struct map *m)
{
    const double y = m->h + 18;
    paper_font(&m->c, 13, true);
    paper_text(&m->c, 16, y + 14, 0, PALETTE_INK, "sharp in slice");
    draw_scale(m, 150, y, COVERAGE_WIDTH - 150 - 40.0);
    double x = 16;
    x = legend_entry(m, x, y + 66, TILE_UNSHARP_BEFORE);
    x = legend_entry(m, x, y + 66, TILE_GAP);
    x = legend_entry(m, x, y + 66, TILE_UNSHARP_AFTER);
    x = legend_entry(m, x, y + 66, TILE_NO_TEXTURE);
    legend_entry(m, x, y + 66, TILE_OUTSIDE);
}
