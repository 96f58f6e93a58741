/* The contact sheet: every frame small, its number, the colour it has on the coverage map, and words. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "image/measure_io.h"
#include "report/pictures.h"

#define EDGE    16
#define GAP     12
#define CHIP    5
#define CAPTION 38

bool pictures_listed(const struct frame_list *list, int32_t frame)
{
    for (int32_t i = 0; i < list->count; i++)
        if (list->rows[i] == frame) return true;
    return false;
}

static bool jumps_at(const struct light_verdict *light, int32_t frame)
{
    for (int32_t i = 0; i < light->jump_count; i++)
        if (light->jumps[i] == frame) return true;
    return false;
}

static void add_word(char *out, size_t room, const char *word)
{
    const size_t n = strlen(out);
    snprintf(out + n, room - n, "%s%s", n ? ", " : "", word);
}

void pictures_frame_words(const struct pictures_of *p, int32_t frame, char *out, size_t room)
{
    const struct verdict *v = p->verdict;
    out[0] = '\0';
    if (frame == v->useful_first) add_word(out, room, "first useful");
    if (frame == v->useful_last) add_word(out, room, "last useful");
    if (pictures_listed(&v->blurred, frame)) add_word(out, room, "blurred");
    if (pictures_listed(&v->shifted, frame)) add_word(out, room, "moved");
    if (pictures_listed(&v->swapped, frame)) add_word(out, room, "swapped with next");
    if (pictures_listed(&v->repeated, frame)) add_word(out, room, "repeated");
    if (jumps_at(&v->light, frame)) add_word(out, room, "light jumps");
    if (v->useful_first >= 0 && frame >= v->useful_first && frame <= v->useful_last) {
        if (pictures_listed(&v->unneeded, frame)) add_word(out, room, "adds nothing");
    } else if (v->useful_first >= 0) {
        const bool near = frame >= v->useful_first - v->margin && frame <= v->useful_last + v->margin;
        add_word(out, room, near ? "margin" : "not needed");
    }
}

static bool at_fault(const struct pictures_of *p, int32_t frame)
{
    const struct verdict *v = p->verdict;
    return pictures_listed(&v->blurred, frame) || pictures_listed(&v->shifted, frame) ||
           pictures_listed(&v->swapped, frame) || pictures_listed(&v->repeated, frame) ||
           jumps_at(&v->light, frame);
}

int pictures_bring(const struct pictures_of *p, int32_t frame, struct frame_measure *room,
                   const struct frame_measure **out, struct err *why)
{
    *out = &p->measures[frame];
    if ((*out)->thumb || !p->source.bring) return E_OK;
    *out = room;
    return p->source.bring(p->source.arg, frame, room, why);
}

static bool has_words(const struct pictures_of *p, int32_t frame)
{
    char words[128];
    pictures_frame_words(p, frame, words, sizeof words);
    return words[0] && strcmp(words, "margin") != 0 && strcmp(words, "not needed") != 0 &&
           strcmp(words, "adds nothing") != 0;
}

/* Which frames are shown: all, or every n-th and the remarkable ones. Fills `shown` (as long as the stack).
 */
static int32_t choose(const struct pictures_of *p, int32_t *shown)
{
    const int32_t frames = p->verdict->frames;
    const int32_t every = (frames + CONTACT_MOST - 1) / CONTACT_MOST;
    int32_t count = 0;
    for (int32_t i = 0; i < frames; i++)
        if (i % every == 0 || i == frames - 1 || has_words(p, i)) shown[count++] = i;
    return count;
}

/* Shortens words to a width with an ellipsis. */
static void fit(struct paper *c, char *text, double width)
{
    size_t n = strlen(text);
    if (paper_text_width(c, text) <= width) return;
    while (n > 0 && paper_text_width(c, text) > width - 8)
        text[--n] = '\0';
    if (n) memcpy(text + n, "...", 4);
}

struct sheet {
    int32_t columns, rows, thumb_w, thumb_h, step_x, step_y;
};

static struct sheet lay_out(const struct pictures_of *p, int32_t count)
{
    struct sheet s;
    s.columns = count <= 12 ? 4 : count <= 40 ? 6 : 8;
    s.rows = (count + s.columns - 1) / s.columns;
    s.thumb_w = (COVERAGE_WIDTH - 2 * EDGE - (s.columns - 1) * GAP) / s.columns;
    const struct frame_measure *m = &p->measures[0];
    const double tall = m->width_px > 0 ? (double)m->height_px / m->width_px : 1;
    s.thumb_h = (int32_t)lround(s.thumb_w * fmin(fmax(tall, 0.2), 2.0));
    s.step_x = s.thumb_w + GAP;
    s.step_y = s.thumb_h + CHIP + CAPTION;
    return s;
}

static int draw_frame(struct paper *c, const struct pictures_of *p, const struct sheet *s, int32_t frame,
                      double x, double y, struct err *why)
{
    const struct verdict *v = p->verdict;
    struct frame_measure room = {0};
    const struct frame_measure *m;
    int rc = pictures_bring(p, frame, &room, &m, why);
    if (!rc && m->thumb)
        rc = paper_gray(c, m->thumb, m->thumb_w, m->thumb_h, x, y, s->thumb_w, s->thumb_h, why);
    frame_measure_clear(&room);
    if (rc) return rc;
    const bool useful = v->useful_first >= 0 && frame >= v->useful_first && frame <= v->useful_last;
    paper_fill(c, x, y + s->thumb_h, s->thumb_w, CHIP,
               useful ? palette_scale(pictures_scale_at(v, frame)) : PALETTE_LINE);
    char text[160];
    snprintf(text, sizeof text, "%d", p->rows[frame].slice);
    paper_font(c, 13, true);
    paper_text(c, x, y + s->thumb_h + CHIP + 16, 0, PALETTE_INK, text);
    const double after = paper_text_width(c, text) + 7;
    pictures_frame_words(p, frame, text, sizeof text);
    paper_font(c, 11, false);
    fit(c, text, s->thumb_w - after);
    paper_text(c, x + after, y + s->thumb_h + CHIP + 16, 0,
               at_fault(p, frame) ? PALETTE_ALARM : PALETTE_QUIET, text);
    return E_OK;
}

int pictures_contact(const struct pictures_of *p, struct drawing *out, struct err *why)
{
    struct paper c;
    const int32_t frames = p->verdict->frames;
    if (frames < 1) return fail(why, E_INPUT, "there is no frame to show");
    int32_t *shown = mem_new((size_t)frames, sizeof *shown, why);
    if (!shown) return E_NOMEM;
    const int32_t count = choose(p, shown);
    const struct sheet s = lay_out(p, count);
    int rc =
        paper_init(&c, COVERAGE_WIDTH, 2 * EDGE + s.rows * s.step_y - (CAPTION - 24), PALETTE_PAPER, why);
    if (rc) goto undo;
    for (int32_t i = 0; i < count && !rc; i++) {
        const int32_t row = i / s.columns, column = i % s.columns;
        rc = draw_frame(&c, p, &s, shown[i], EDGE + column * s.step_x, EDGE + row * s.step_y, why);
    }
    if (!rc) rc = paper_png(&c, PAPER_SIDE_MOST, out, why);
    paper_clear(&c);
undo:
    mem_free(shown);
    return rc;
}
