#include "report/sentence.h"

#include <stdio.h>
#include <string.h>

struct tally {
    int32_t textured, covered, before, after, gap;
};

static struct tally count_tiles(const struct verdict *v)
{
    struct tally t = {0};
    for (int32_t i = 0; i < v->rows * v->cols; i++) {
        const enum tile_state s = v->tiles[i].state;
        t.textured += s != TILE_OUTSIDE && s != TILE_NO_TEXTURE;
        t.covered += s == TILE_COVERED;
        t.before += s == TILE_UNSHARP_BEFORE;
        t.after += s == TILE_UNSHARP_AFTER;
        t.gap += s == TILE_GAP;
    }
    return t;
}

static const struct finding *first_grave(const struct verdict *v)
{
    for (int32_t i = 0; i < v->findings.count; i++)
        if (v->findings.rows[i].grave) return &v->findings.rows[i];
    return NULL;
}

enum answer sentence_answer(const struct verdict *v)
{
    const struct tally t = count_tiles(v);
    if (!t.textured) return ANSWER_NOTHING;
    if (first_grave(v)) return ANSWER_NO;
    return t.covered == t.textured ? ANSWER_YES : ANSWER_ALMOST;
}

void sentence_share(double part, double whole, char out[SHARE_ROOM])
{
    const double percent = whole > 0 ? 100 * part / whole : 0;
    if (percent > 0 && percent < 0.1)
        snprintf(out, SHARE_ROOM, "under 0.1 %%");
    else if (percent < 100 && percent > 99.9)
        snprintf(out, SHARE_ROOM, "over 99.9 %%");
    else if (percent == 0 || percent == 100)
        snprintf(out, SHARE_ROOM, "%.0f %%", percent);
    else
        snprintf(out, SHARE_ROOM, "%.1f %%", percent);
}

static void add_share(char *out, size_t room, int32_t part, int32_t whole, const char *where)
{
    char share[SHARE_ROOM];
    if (!part) return;
    sentence_share(part, whole, share);
    const size_t n = strlen(out);
    snprintf(out + n, room - n, "%s%s lies %s", n ? ", " : "", share, where);
}

const char *sentence_where(const struct verdict *v, enum tile_state state)
{
    switch (state) {
    case TILE_UNSHARP_BEFORE:
        return v->order == ORDER_NEAR_FIRST  ? "nearer than the first frame"
               : v->order == ORDER_FAR_FIRST ? "deeper than the first frame"
                                             : "before the first frame";
    case TILE_UNSHARP_AFTER:
        return v->order == ORDER_FAR_FIRST ? "nearer than the last frame" : "beyond the last frame";
    case TILE_GAP:
        return "in a gap";
    case TILE_NO_TEXTURE:
        return "no texture: nothing can be said";
    case TILE_COVERED:
        return "sharp";
    case TILE_OUTSIDE:
        return "not looked at";
    }
    return "";
}

void sentence_write(const struct verdict *v, char out[SENTENCE_ROOM])
{
    const struct tally t = count_tiles(v);
    const struct finding *grave = first_grave(v);
    char lost[192] = "", share[SHARE_ROOM];
    add_share(lost, sizeof lost, t.before, t.textured, sentence_where(v, TILE_UNSHARP_BEFORE));
    add_share(lost, sizeof lost, t.gap, t.textured, sentence_where(v, TILE_GAP));
    add_share(lost, sizeof lost, t.after, t.textured, sentence_where(v, TILE_UNSHARP_AFTER));
    sentence_share(t.covered, t.textured, share);
    switch (sentence_answer(v)) {
    case ANSWER_NOTHING:
        snprintf(out, SENTENCE_ROOM,
                 "Nothing can be said: no part of the subject shows texture in any frame.");
        break;
    case ANSWER_YES:
        snprintf(out, SENTENCE_ROOM, "Yes: every textured part of the subject is sharp in some frame.");
        break;
    case ANSWER_ALMOST:
        snprintf(out, SENTENCE_ROOM,
                 "Almost: %s of the textured parts of the subject are sharp in some frame; %s.", share, lost);
        break;
    case ANSWER_NO:
        if (t.covered == t.textured)
            snprintf(out, SENTENCE_ROOM, "Not yet: every textured part is sharp in some frame, but: %s",
                     grave->text);
        else
            snprintf(out, SENTENCE_ROOM,
                     "No: %s of the textured parts of the subject are sharp in some frame; %s.", share, lost);
        break;
    }
}
