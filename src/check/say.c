#include <math.h>
#include <stdio.h>

#include "base/findings.h"
#include "base/mem.h"
#include "check/robust.h"
#include "check/work.h"

/* Frames are called by the number on their file, from 1. */
int32_t say_number(const struct work *w, int32_t frame)
{
    return w->in->rows && w->in->rows[frame].slice > 0 ? w->in->rows[frame].slice : frame + 1;
}

struct words {
    char text[160];
    size_t used;
};

static void add_word(struct words *s, const char *before, int32_t a, int32_t b)
{
    if (s->used + 32 > sizeof s->text) return;
    const int n =
        a == b ? snprintf(s->text + s->used, sizeof s->text - s->used, "%s%d", before, (int)a)
               : snprintf(s->text + s->used, sizeof s->text - s->used, "%s%d-%d", before, (int)a, (int)b);
    if (n > 0) s->used += (size_t)n;
}

/* "3, 7-9, 12"; a long list ends with "..." */
static struct words number_words(const struct work *w, const int32_t *frames, int32_t count)
{
    struct words s = {.text = ""};
    for (int32_t i = 0; i < count;) {
        int32_t j = i;
        while (j + 1 < count && frames[j + 1] == frames[j] + 1)
            j++;
        if (s.used + 40 > sizeof s.text) {
            snprintf(s.text + s.used, sizeof s.text - s.used, ", ...");
            return s;
        }
        add_word(&s, i ? ", " : "", say_number(w, frames[i]), say_number(w, frames[j]));
        i = j + 1;
    }
    return s;
}

static const char *plural(int32_t n)
{
    return n == 1 ? "" : "s";
}

/* ---- ends ---- */

/* A share of the tiles that few noisy ones at a depth edge may reach: below it nothing is said. */
#define END_LEAST_SHARE 0.005
#define END_LEAST_TILES 4

/* Frames to add so that nine in ten of those tiles become sharp. */
static int32_t frames_to_add(const struct work *w, enum tile_state state, double *room)
{
    int32_t n = 0;
    for (int32_t tile = 0; tile < w->tiles.count; tile++)
        if (w->v.tiles[tile].state == state) room[n++] = w->v.tiles[tile].beyond;
    const double past = robust_rank(room, n, 0.9);
    return n ? (int32_t)ceil(past) : 0;
}

static int32_t tiles_in(const struct work *w, enum tile_state state)
{
    int32_t n = 0;
    for (int32_t tile = 0; tile < w->tiles.count; tile++)
        n += w->v.tiles[tile].state == state;
    return n;
}

static int say_short(struct work *w, bool after, double *room, struct err *why)
{
    const enum tile_state state = after ? TILE_UNSHARP_AFTER : TILE_UNSHARP_BEFORE;
    const double share = after ? w->v.unsharp_after_fraction : w->v.unsharp_before_fraction;
    if (share < END_LEAST_SHARE || tiles_in(w, state) < END_LEAST_TILES) return E_OK;
    const enum stack_order order = w->v.order;
    const bool far = order == ORDER_FAR_FIRST ? !after : after;
    const char *side = order == ORDER_UNKNOWN ? (after ? "last" : "first") : far ? "far" : "near";
    const int32_t more = frames_to_add(w, state, room), end = after ? w->v.frames - 1 : 0;
    char code[32], advice[200];
    snprintf(code, sizeof code, "too-short-%s", side);
    snprintf(advice, sizeof advice, "shoot about %d more frame%s %s frame %d%s, at the same spacing",
             (int)more, plural(more), after ? "after" : "before", (int)say_number(w, end),
             order == ORDER_UNKNOWN ? ""
             : far                  ? ", deeper into the subject"
                                    : ", nearer to the camera");
    return finding_add(
        &w->v.findings, (struct finding_about){code, true, advice, &end, 1}, why,
        "%.1f %% of the subject with texture is sharp in no frame: it is still getting sharper in the "
        "%s frame",
        100 * share, after ? "last" : "first");
}

static int say_ends(struct work *w, struct err *why)
{
    double *room = mem_new((size_t)w->tiles.count, sizeof *room, why);
    if (!room) return E_NOMEM;
    int rc = say_short(w, false, room, why);
    if (!rc) rc = say_short(w, true, room, why);
    mem_free(room);
    return rc;
}

/* ---- gaps and order ---- */

static int say_gaps(struct work *w, struct err *why)
{
    for (int32_t g = 0; g < w->v.gap_count; g++) {
        const struct gap *gap = &w->v.gaps[g];
        const int32_t sides[2] = {gap->after, gap->after + 1};
        const int32_t a = say_number(w, sides[0]), b = say_number(w, sides[1]);
        char advice[200], harm[80] = "no place is unsharp because of it";
        snprintf(advice, sizeof advice, "shoot %d frame%s between %d and %d, coming from the near side",
                 (int)gap->missing, plural(gap->missing), (int)a, (int)b);
        if (gap->tiles > 0)
            snprintf(harm, sizeof harm, "because of it %d place%s sharp in no frame", (int)gap->tiles,
                     gap->tiles == 1 ? " is" : "s are");
        int rc = finding_add(&w->v.findings, (struct finding_about){"gap", gap->tiles > 0, advice, sides, 2},
                             why, "about %d frame%s missing between frames %d and %d: %s", (int)gap->missing,
                             gap->missing == 1 ? " is" : "s are", (int)a, (int)b, harm);
        if (rc) return rc;
    }
    return E_OK;
}

static int say_order(struct work *w, struct err *why)
{
    for (int32_t k = 0; k < w->v.swapped.count; k++) {
        const int32_t pair[2] = {w->v.swapped.rows[k], w->v.swapped.rows[k] + 1};
        int rc = finding_add(
            &w->v.findings,
            (struct finding_about){"swapped", true, "put the two in the other order before merging", pair, 2},
            why, "frames %d and %d stand in the wrong order", (int)say_number(w, pair[0]),
            (int)say_number(w, pair[1]));
        if (rc) return rc;
    }
    if (!w->v.repeated.count) return E_OK;
    const struct words s = number_words(w, w->v.repeated.rows, w->v.repeated.count);
    return finding_add(
        &w->v.findings,
        (struct finding_about){"repeated", false,
                               "leave one of each out when merging; see whether the axis moved",
                               w->v.repeated.rows, w->v.repeated.count},
        why, "frame%s %s show%s the same focus as an earlier one", plural(w->v.repeated.count), s.text,
        w->v.repeated.count == 1 ? "s" : "");
}

/* ---- bad frames ---- */

static int say_blurred(struct work *w, struct err *why)
{
    const struct frame_list *bad = &w->v.blurred;
    if (bad->count) {
        const struct words s = number_words(w, bad->rows, bad->count);
        int rc = finding_add(
            &w->v.findings,
            (struct finding_about){"blurred", true,
                                   "shoot them again before taking the set down; wait longer after a "
                                   "move, and keep off the table",
                                   bad->rows, bad->count},
            why, "frame%s %s %s more blurred than the frames around", plural(bad->count), s.text,
            bad->count == 1 ? "is" : "are");
        if (rc) return rc;
    }
    return E_OK;
}

/* Those that come back; one that stays makes a group (say_motion.c). */
static int say_shifted(struct work *w, struct err *why)
{
    struct frame_list back = {0};
    int rc = E_OK;
    for (int32_t i = 0; i < w->v.frames && !rc; i++)
        if (w->jumps[i].away && !w->jumps[i].stays) rc = frame_list_add(&back, i, why);
    if (!rc && back.count) {
        const struct words s = number_words(w, back.rows, back.count);
        rc = finding_add(&w->v.findings,
                         (struct finding_about){"shifted", false,
                                                "align the frames when merging; find out what moved: "
                                                "subject, camera or table",
                                                back.rows, back.count},
                         why, "frame%s %s lie%s sideways of the frames around, which fit each other",
                         plural(back.count), s.text, back.count == 1 ? "s" : "");
    }
    mem_free(back.rows);
    return rc;
}

/* Common practice, no source: 0.05 stops (3.5 %) of scatter begin to show as bands in even tones, a third of
 * a stop of drift as a gradient. */
#define SCATTER_SAID 0.05
#define SLOPE_SAID   0.33

static int say_light(struct work *w, struct err *why)
{
    const struct light_verdict *l = &w->v.light;
    int rc = E_OK;
    if (l->scatter_stops >= SCATTER_SAID)
        rc = finding_add(
            &w->v.findings,
            (struct finding_about){"light-scatter", l->scatter_stops > 3 * SCATTER_SAID,
                                   "give the flash longer to recycle, or choose a shutter time in which "
                                   "the lamp flickers a whole number of times",
                                   NULL, 0},
            why, "the light scatters by %.2f stops from frame to frame", l->scatter_stops);
    if (!rc && fabs(l->slope_stops) >= SLOPE_SAID)
        rc = finding_add(&w->v.findings,
                         (struct finding_about){"light-slope", false,
                                                "let the lamp warm up, or even the frames out before merging",
                                                NULL, 0},
                         why, "the light %s by %.2f stops from the first frame to the last",
                         l->slope_stops > 0 ? "grows" : "fades", fabs(l->slope_stops));
    if (!rc && l->jump_count) {
        const struct words s = number_words(w, l->jumps, l->jump_count);
        rc = finding_add(
            &w->v.findings,
            (struct finding_about){"light-jump", false,
                                   "something near the lamp was switched or moved; even the frames out "
                                   "before merging",
                                   l->jumps, l->jump_count},
            why, "the light jumps at frame%s %s", plural(l->jump_count), s.text);
    }
    return rc;
}

static int say_odd_light(struct work *w, struct err *why)
{
    struct frame_list odd = {0};
    int rc = E_OK;
    for (int32_t i = 0; i < w->v.frames && !rc; i++)
        if (w->odd_light[i]) rc = frame_list_add(&odd, i, why);
    if (!rc && odd.count) {
        const struct words s = number_words(w, odd.rows, odd.count);
        rc = finding_add(&w->v.findings,
                         (struct finding_about){"light-odd", true,
                                                "shoot them again: did the flash fire, did the lamp go out?",
                                                odd.rows, odd.count},
                         why, "frame%s %s %s much brighter or darker than the frames around",
                         plural(odd.count), s.text, odd.count == 1 ? "is" : "are");
    }
    mem_free(odd.rows);
    return rc;
}

/* ---- how a viewer turns them ---- */

enum { ORIENTATIONS = 9 };

/* A camera that looks down takes a hand on the table for a turn. None told is as good as 1. */
static int32_t orientation_of(const struct work *w, int32_t frame)
{
    const int32_t told = w->in->measures[frame]->orientation;
    return told >= 1 && told < ORIENTATIONS ? told : 1;
}

static int32_t usual_orientation(const struct work *w)
{
    int32_t count[ORIENTATIONS] = {0}, most = 1;
    for (int32_t i = 0; i < w->v.frames; i++)
        count[orientation_of(w, i)]++;
    for (int32_t o = 2; o < ORIENTATIONS; o++)
        if (count[o] > count[most]) most = o;
    return most;
}

static int say_turned(struct work *w, struct err *why)
{
    struct frame_list other = {0};
    const int32_t usual = usual_orientation(w);
    int rc = E_OK;
    for (int32_t i = 0; i < w->v.frames && !rc; i++)
        if (orientation_of(w, i) != usual) rc = frame_list_add(&other, i, why);
    if (!rc && other.count) {
        const struct words s = number_words(w, other.rows, other.count);
        rc = finding_add(
            &w->v.findings,
            (struct finding_about){"turned", false,
                                   "the pictures themselves lie alike: have the merging program leave the "
                                   "orientation out, and next time switch its sensor off in the camera",
                                   other.rows, other.count},
            why, "frame%s %s tell%s another orientation than the others: turned by it, they do not fit",
            plural(other.count), s.text, other.count == 1 ? "s" : "");
    }
    mem_free(other.rows);
    return rc;
}

/* ---- what is not needed, what cannot be told ---- */

static int say_unneeded(struct work *w, struct err *why)
{
    const struct verdict *v = &w->v;
    struct frame_list beyond = {0};
    int rc = E_OK;
    for (int32_t i = 0; i < v->frames && !rc; i++)
        if (v->useful_first >= 0 && (i < v->useful_first - v->margin || i > v->useful_last + v->margin))
            rc = frame_list_add(&beyond, i, why);
    if (!rc && beyond.count) {
        const struct words s = number_words(w, beyond.rows, beyond.count);
        const bool one = beyond.count == 1;
        rc = finding_add(
            &w->v.findings,
            (struct finding_about){
                "unneeded", false,
                one ? "the hand-over leaves it out; next time the ends can lie closer together"
                    : "the hand-over leaves them out; next time the ends can lie closer together",
                beyond.rows, beyond.count},
            why, "frame%s %s show%s nothing sharp and lie%s beyond the margin of %d frame%s",
            plural(beyond.count), s.text, one ? "s" : "", one ? "s" : "", (int)v->margin, plural(v->margin));
    }
    mem_free(beyond.rows);
    return rc;
}

/* At the planned spacing the coarsest scale reaches 1.7 to 2.0 spacings on three rendered scenes, at twice of
 * it 0.9 to 1.0: half a spacing away fine detail then keeps less than half of its contrast. Where diffraction
 * limits, the planned spacing is up to 1.7 times as wide by the same measure, so less than twice cannot be
 * blamed. */
#define WIDE_COARSE     0.9
#define NO_TEXTURE_SAID 0.1
#define CLIPPED_TILE    0.1F /* of its pixels in its best frame */
#define CLIPPED_SAID    0.01

static double clipped_share(const struct work *w)
{
    int32_t inside = 0, clipped = 0;
    for (int32_t tile = 0; tile < w->tiles.count; tile++) {
        if (!w->tiles.inside[tile]) continue;
        float most = 0;
        for (int32_t i = 0; i < w->tiles.frames; i++) {
            const float c = w->tiles.clipped[(size_t)tile * (size_t)w->tiles.frames + (size_t)i];
            if (c > most) most = c;
        }
        inside++;
        clipped += most > CLIPPED_TILE;
    }
    return inside ? (double)clipped / inside : 0;
}

static int say_doubts(struct work *w, struct err *why)
{
    struct verdict *v = &w->v;
    int rc = E_OK;
    if (v->useful_first < 0)
        return finding_add(
            &v->findings,
            (struct finding_about){"nothing-sharp", true,
                                   "see whether the right folder was given, and whether focus moved "
                                   "between the frames",
                                   NULL, 0},
            why, "no frame shows anything that comes into focus and goes out again");
    const double none = 1 - v->textured_fraction, clipped = clipped_share(w);
    if (none >= NO_TEXTURE_SAID)
        rc = finding_add(
            &v->findings,
            (struct finding_about){"no-texture", false,
                                   "look at these parts yourself; light from the side shows texture", NULL,
                                   0},
            why, "%.0f %% of the picture shows no texture in any frame: nothing can be said of its focus",
            100 * none);
    if (!rc && clipped >= CLIPPED_SAID)
        rc = finding_add(
            &v->findings,
            (struct finding_about){"clipped", false, "expose less, or soften the light", NULL, 0}, why,
            "%.1f %% of the picture is clipped white or black: focus is less sure there", 100 * clipped);
    const double coarse = shape_coarse_reach(&w->shape);
    if (!rc && coarse > 0 && coarse < WIDE_COARSE && v->frames > 3)
        rc = finding_add(
            &v->findings,
            (struct finding_about){"wide-spacing", true, "shoot again at about half the spacing", NULL, 0},
            why, "the frames are further apart than the focus is deep: parts between two are soft");
    return rc;
}

int say_all(struct work *w, struct err *why)
{
    int (*const parts[])(struct work *, struct err *) = {
        say_ends,  say_gaps,   say_order, say_turned,    say_blurred,  say_quiet, say_shifted, say_moved,
        say_drift, say_border, say_light, say_odd_light, say_unneeded, say_spots, say_doubts};
    for (size_t i = 0; i < sizeof parts / sizeof *parts; i++) {
        int rc = parts[i](w, why);
        if (rc) return rc;
    }
    return E_OK;
}
