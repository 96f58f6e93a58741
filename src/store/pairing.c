#include "store/pairing.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/mem.h"

#define SLACK_US    150000
#define DRIFT_PPM   200.0 /* the most of a clock that is no ruin; guess */
#define DRIFT_US    50000 /* what a step of the drifts tried may be off by, at the ends */
#define DRIFTS_MOST 81
#define TRIES_MOST  32      /* offsets looked at closely */
#define ROUNDS      3       /* of fitting and matching */
#define FIT_LEAST   12      /* pairs, before a drift is believed */
#define CELLS_MOST  2000000 /* shots x frames */

struct offset {
    double ahead_us, fast; /* frame = shot + ahead + fast * (shot - first shot) */
    int32_t votes;
};

struct work {
    const struct pairing_shot *shots;
    const int64_t *frames_us;
    int32_t n, m;
    double half_us; /* what the clock left out, on average */
    double tolerance_us;
    double *votes, *residuals, *cost; /* cost: two rows of m + 1 */
    uint8_t *step;                    /* n x m */
    struct offset tries[TRIES_MOST];
    int32_t try_count;
};

static double residual(const struct work *w, const struct offset *o, int32_t i, int32_t j)
{
    const double since = (double)(w->shots[i].at_us - w->shots[0].at_us);
    return (double)(w->frames_us[j] - w->shots[0].at_us) + w->half_us - since * (1 + o->fast) - o->ahead_us;
}

static int by_value(const void *a, const void *b)
{
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static double median(double *values, int32_t count)
{
    qsort(values, (size_t)count, sizeof *values, by_value);
    return (values[(count - 1) / 2] + values[count / 2]) / 2;
}

/* Keeps the best, those close to a better one left out. */
static void add_try(struct work *w, const struct offset *o)
{
    int32_t at = 0;
    for (int32_t k = 0; k < w->try_count; k++) {
        if (fabs(w->tries[k].ahead_us - o->ahead_us) > w->tolerance_us) continue;
        if (w->tries[k].votes >= o->votes) return;
        memmove(&w->tries[k], &w->tries[k + 1], (size_t)(w->try_count - k - 1) * sizeof *w->tries);
        w->try_count--;
        k--;
    }
    while (at < w->try_count && w->tries[at].votes >= o->votes)
        at++;
    if (at == TRIES_MOST) return;
    if (w->try_count == TRIES_MOST) w->try_count--;
    memmove(&w->tries[at + 1], &w->tries[at], (size_t)(w->try_count - at) * sizeof *w->tries);
    w->tries[at] = *o;
    w->try_count++;
}

static void vote(struct work *w, double fast)
{
    const struct offset none = {.fast = fast};
    const int32_t all = w->n * w->m;
    for (int32_t i = 0, k = 0; i < w->n; i++)
        for (int32_t j = 0; j < w->m; j++)
            w->votes[k++] = residual(w, &none, i, j);
    qsort(w->votes, (size_t)all, sizeof *w->votes, by_value);
    for (int32_t from = 0, to = 0; from < all; from++) {
        while (to < all && w->votes[to] - w->votes[from] <= 2 * w->tolerance_us)
            to++;
        if (w->try_count && 2 * (to - from) < w->tries[0].votes) continue;
        add_try(w, &(struct offset){(w->votes[from] + w->votes[to - 1]) / 2, fast, to - from});
    }
}

static void vote_all(struct work *w)
{
    const double span_us = (double)(w->shots[w->n - 1].at_us - w->shots[0].at_us);
    int steps = (int)(span_us * DRIFT_PPM * 1e-6 / (2 * DRIFT_US));
    if (steps > (DRIFTS_MOST - 1) / 2) steps = (DRIFTS_MOST - 1) / 2;
    for (int k = -steps; k <= steps; k++)
        vote(w, steps ? DRIFT_PPM * 1e-6 * k / steps : 0);
}

enum { PAIR, LEAVE_SHOT, LEAVE_FRAME };

static double cost_of(const struct work *w, const struct offset *o, int32_t i, int32_t j)
{
    const double r = fabs(residual(w, o, i, j)) / w->tolerance_us;
    return r <= 1 ? r * r : 3; /* more than leaving both out */
}

/* In order, at the least cost; a pair costs less than leaving both out. */
static int32_t match(struct work *w, const struct offset *o, int32_t *frame_of)
{
    double *before = w->cost, *now = w->cost + w->m + 1;
    int32_t paired = 0, i, j;
    for (j = 0; j <= w->m; j++)
        before[j] = j;
    for (i = 0; i < w->n; i++) {
        now[0] = i + 1;
        for (j = 0; j < w->m; j++) {
            const double pair = before[j] + cost_of(w, o, i, j);
            const double no_shot = before[j + 1] + 1, no_frame = now[j] + 1;
            const uint8_t step = pair <= no_shot && pair <= no_frame ? PAIR
                                 : no_shot <= no_frame               ? LEAVE_SHOT
                                                                     : LEAVE_FRAME;
            w->step[(size_t)i * (size_t)w->m + (size_t)j] = step;
            now[j + 1] = step == PAIR ? pair : step == LEAVE_SHOT ? no_shot : no_frame;
        }
        double *swap = before;
        before = now;
        now = swap;
    }
    for (i = 0; i < w->n; i++)
        frame_of[i] = -1;
    for (i = w->n - 1, j = w->m - 1; i >= 0 && j >= 0;) {
        const uint8_t step = w->step[(size_t)i * (size_t)w->m + (size_t)j];
        if (step == PAIR) {
            frame_of[i--] = j--;
            paired++;
        } else if (step == LEAVE_SHOT) {
            i--;
        } else {
            j--;
        }
    }
    return paired;
}

/* The median of the residuals of the pairs between two shots, and the middle of their times. */
static double middle(struct work *w, const struct offset *o, const int32_t *frame_of, int32_t from,
                     int32_t to, double *at_us)
{
    int32_t count = 0;
    double sum_us = 0;
    for (int32_t i = from; i < to; i++) {
        if (frame_of[i] < 0) continue;
        sum_us += (double)(w->shots[i].at_us - w->shots[0].at_us);
        w->residuals[count++] = residual(w, o, i, frame_of[i]);
    }
    *at_us = count ? sum_us / count : 0;
    return count ? median(w->residuals, count) : 0;
}

/* Between the largest and the least: what a clock of whole seconds leaves out lies evenly over the second,
 * and of such numbers this is the better middle than their median, which may lie at one end. */
static double midrange(const struct work *w, const struct offset *o, const int32_t *frame_of, double *spread)
{
    double least = INFINITY, most = -INFINITY;
    for (int32_t i = 0; i < w->n; i++) {
        if (frame_of[i] < 0) continue;
        const double r = residual(w, o, i, frame_of[i]);
        least = r < least ? r : least;
        most = r > most ? r : most;
    }
    *spread = most - least;
    return (least + most) / 2;
}

/* Whole seconds that nearly fit the distances look like a drift, and are none: so one is believed only where
 * without it the times would not fit, and then the one with which they fit best. */
static void fit_drift_of_seconds(const struct work *w, struct offset *o, const int32_t *frame_of)
{
    double best, spread;
    midrange(w, o, frame_of, &best);
    if (best <= 2 * w->half_us + SLACK_US / 3.0) return;
    for (int k = -DRIFTS_MOST; k <= DRIFTS_MOST; k++) {
        const struct offset other = {o->ahead_us, 2e-6 * DRIFT_PPM * k / DRIFTS_MOST, 0};
        midrange(w, &other, frame_of, &spread);
        if (spread >= best) continue;
        best = spread;
        o->fast = other.fast;
    }
}

static void fit(struct work *w, struct offset *o, const int32_t *frame_of, int32_t paired)
{
    const bool seconds = w->half_us > SLACK_US;
    double early_us, late_us, at_us, spread;
    const double span_us = (double)(w->shots[w->n - 1].at_us - w->shots[0].at_us);
    if (seconds) fit_drift_of_seconds(w, o, frame_of);
    if (!seconds && paired >= FIT_LEAST && span_us * DRIFT_PPM * 1e-6 > DRIFT_US) {
        const double early = middle(w, o, frame_of, 0, w->n / 3, &early_us);
        const double late = middle(w, o, frame_of, w->n - w->n / 3, w->n, &late_us);
        if (late_us > early_us) o->fast += (late - early) / (late_us - early_us);
        if (fabs(o->fast) > 2e-6 * DRIFT_PPM) o->fast = copysign(2e-6 * DRIFT_PPM, o->fast);
    }
    o->ahead_us += seconds ? midrange(w, o, frame_of, &spread) : middle(w, o, frame_of, 0, w->n, &at_us);
}

static bool agrees(const struct work *w, const int32_t *frame_of)
{
    for (int32_t i = 0; i < w->n; i++)
        if (w->shots[i].known >= 0 && frame_of[i] != w->shots[i].known) return false;
    return true;
}

static bool same(const struct work *w, const int32_t *a, const int32_t *b)
{
    for (int32_t i = 0; i < w->n; i++)
        if (w->shots[i].needed && a[i] != b[i]) return false;
    return true;
}

static int32_t first_needed(const struct work *w, const int32_t *frame_of)
{
    for (int32_t i = 0; i < w->n; i++)
        if (w->shots[i].needed) return frame_of[i];
    return -1;
}

/* Tries them all; `frame_of` and `other` are rooms of n. */
static void choose(struct work *w, struct pairing *out, int32_t *found)
{
    struct offset best = {0};
    out->paired = 0;
    bool ambiguous = false;
    for (int32_t k = 0; k < w->try_count; k++) {
        struct offset o = w->tries[k];
        int32_t paired = match(w, &o, found);
        for (int round = 0; round < ROUNDS && paired; round++) {
            fit(w, &o, found, paired);
            paired = match(w, &o, found);
        }
        if (!paired || !agrees(w, found)) continue;
        if (paired > out->paired) {
            ambiguous = false;
            out->paired = paired;
            best = o;
            memcpy(out->frame_of, found, (size_t)w->n * sizeof *found);
        } else if (paired == out->paired && !ambiguous && !same(w, found, out->frame_of)) {
            ambiguous = true;
            out->other_first = first_needed(w, found);
        }
    }
    if (!ambiguous) out->other_first = -2;
    out->ahead_us = (int64_t)best.ahead_us;
    out->fast_ppm = best.fast * 1e6;
}

/* A frame left out that could as well be a shot's, in place of the one it has. */
static bool look_for_doubt(const struct work *w, struct pairing *out)
{
    const struct offset o = {(double)out->ahead_us, out->fast_ppm * 1e-6, 0};
    for (int32_t i = 0; i < w->n; i++) {
        const int32_t own = out->frame_of[i];
        if (own < 0 || w->shots[i].known >= 0) continue;
        for (int32_t j = own - 1; j <= own + 1; j += 2) {
            if (j < 0 || j >= w->m || fabs(residual(w, &o, i, j)) > w->tolerance_us) continue;
            bool taken = false;
            for (int32_t k = 0; k < w->n; k++)
                taken = taken || out->frame_of[k] == j;
            if (taken) continue;
            out->doubt_shot = i;
            out->doubt_frame = own;
            out->doubt_other = j;
            return true;
        }
    }
    return false;
}

static int64_t resolution(const int64_t *frames_us, int32_t count)
{
    for (int64_t us = 1000000; us > 1000; us /= 10) {
        int32_t such = 0;
        for (int32_t j = 0; j < count; j++)
            such += frames_us[j] % us == 0;
        if (such * 5 >= count * 4) return us; /* a few of another camera are no matter */
    }
    return 1000;
}

static int judge(const struct work *w, struct pairing *out, struct err *why)
{
    int32_t needed = 0, paired = 0;
    for (int32_t i = 0; i < w->n; i++) {
        const bool counts = w->shots[i].needed || w->shots[i].known >= 0;
        needed += counts;
        paired += counts && out->frame_of[i] >= 0;
    }
    const bool ambiguous = out->other_first != -2, enough = out->paired && 2 * out->paired >= needed;
    if (!enough || (2 * paired < needed && !ambiguous))
        return fail(why, E_INPUT, "only %d of %d frames can be found by their times", (int)paired,
                    (int)needed);
    if (ambiguous) return fail(why, E_STATE, "the frames fit in more than one way");
    return look_for_doubt(w, out) ? fail(why, E_STATE, "two frames fit one exposure") : E_OK;
}

static int find(struct work *w, struct pairing *out, struct err *why)
{
    const size_t n = (size_t)w->n, m = (size_t)w->m;
    int32_t *found = mem_new(n, sizeof *found, why);
    w->votes = mem_new(n * m, sizeof *w->votes, why);
    w->residuals = mem_new(n, sizeof *w->residuals, why);
    w->cost = mem_new(2 * (m + 1), sizeof *w->cost, why);
    w->step = mem_new(n * m, 1, why);
    const bool room = found && w->votes && w->residuals && w->cost && w->step;
    if (room) {
        vote_all(w);
        choose(w, out, found);
    }
    mem_free(found);
    mem_free(w->votes);
    mem_free(w->residuals);
    mem_free(w->cost);
    mem_free(w->step);
    return room ? judge(w, out, why) : E_NOMEM;
}

int pairing_find(const struct pairing_shot *shots, int32_t n, const int64_t *frames_us, int32_t m,
                 struct pairing *out, struct err *why)
{
    struct pairing p = {.doubt_shot = -1, .resolution_us = resolution(frames_us, m)};
    if (n < 1 || m < 1) return fail(why, E_INPUT, "there is nothing to pair");
    if ((int64_t)n * m > CELLS_MOST)
        return fail(why, E_INPUT, "too many frames to pair; put those of other stacks into another folder");
    struct work w = {.shots = shots, .frames_us = frames_us, .n = n, .m = m};
    w.half_us = (double)p.resolution_us / 2;
    w.tolerance_us = w.half_us + SLACK_US;
    p.frame_of = mem_new((size_t)n, sizeof *p.frame_of, why);
    if (!p.frame_of) return E_NOMEM;
    int rc = find(&w, &p, why);
    if (rc && rc != E_STATE)
        pairing_clear(&p);
    else
        *out = p;
    return rc;
}

void pairing_clear(struct pairing *p)
{
    mem_free(p->frame_of);
    p->frame_of = NULL;
}
