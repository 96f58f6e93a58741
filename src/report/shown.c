#include "report/shown.h"

#include "base/mem.h"
#include "image/measure_io.h"
#include "image/turned.h"

/* Without cells: nothing that is drawn asks for them. */
static struct frame_measure head_of(const struct frame_measure *stored, int32_t orientation)
{
    struct frame_measure m = *stored;
    m.cells = NULL;
    m.thumb = NULL;
    if (turned_on_side(orientation)) {
        m.width_px = stored->height_px;
        m.height_px = stored->width_px;
        m.thumb_w = stored->thumb_h;
        m.thumb_h = stored->thumb_w;
    }
    return m;
}

static int turn_thumb(const struct frame_measure *stored, int32_t orientation, struct frame_measure *out,
                      struct err *why)
{
    struct frame_measure m = head_of(stored, orientation);
    const struct view from = turned_view(orientation, stored->thumb, stored->thumb_w, stored->thumb_h, 1);
    m.thumb = mem_new((size_t)m.thumb_w * (size_t)m.thumb_h, 1, why);
    if (!m.thumb) return E_NOMEM;
    for (int32_t y = 0; y < m.thumb_h; y++)
        for (int32_t x = 0; x < m.thumb_w; x++)
            m.thumb[(size_t)y * (size_t)m.thumb_w + (size_t)x] = *view_at(&from, x, y);
    *out = m;
    return E_OK;
}

static int bring(void *arg, int32_t frame, struct frame_measure *out, struct err *why)
{
    const struct shown *s = arg;
    const struct judgement *j = s->judged;
    const struct pictures_of stored = {&j->verdict, j->rows, j->measures, judge_source(j)};
    struct frame_measure room = {0};
    const struct frame_measure *m;
    int rc = pictures_bring(&stored, frame, &room, &m, why);
    if (!rc && m->thumb)
        rc = turn_thumb(m, j->verdict.orientation, out, why);
    else if (!rc)
        *out = head_of(m, j->verdict.orientation);
    frame_measure_clear(&room);
    return rc;
}

int shown_new(const struct judgement *j, struct shown *s, struct err *why)
{
    *s = (struct shown){.of = {&j->verdict, j->rows, j->measures, judge_source(j)}, .judged = j};
    if (!turned(j->verdict.orientation)) return E_OK;
    if (!(s->heads = mem_new((size_t)j->frames, sizeof *s->heads, why))) return E_NOMEM;
    for (int32_t i = 0; i < j->frames; i++)
        s->heads[i] = head_of(&j->measures[i], j->verdict.orientation);
    s->of.measures = s->heads;
    s->of.source = (struct measure_source){bring, s};
    return E_OK;
}

void shown_clear(struct shown *s)
{
    mem_free(s->heads);
    *s = (struct shown){0};
}
