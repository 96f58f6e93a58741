/* quiet.c - the stack against frames that were taken when nothing had moved for long.
 *
 * A stack that is shaken alike in every frame is smooth in itself; a quiet frame tells. At the place where
 * its focus lies among the stack's (look.c), tiles that are in focus in both have lost the same share of
 * their fine energy (quiet_loss.c), and most of it along the line of the shake; how long an even smear takes
 * as much is told by the texture itself (smear.c). What cannot be compared is said, and blames nobody. */
#include <math.h>
#include <stdio.h>

#include "base/mem.h"
#include "check/quiet_loss.h"

#define SPREAD_MOST   0.2  /* of ln energy at coarse scales over the tiles, at the right place */
#define LIGHT_STOPS   0.3  /* code values and noise then differ by more than can be made up for */
#define SETTING_SHARE 0.1  /* of the exposure time and the like: less than a third of a stop */
#define COARSE_OFF    0.15 /* ln of energy at the coarsest scale that a shake does not explain */

static int no_use(struct quiet_verdict *out, const char *reason)
{
    out->state = QUIET_NO_USE;
    snprintf(out->reason, sizeof out->reason, "%s", reason);
    return E_OK;
}

static bool differs(double a, double b)
{
    return a > 0 && b > 0 && fabs(log(a / b)) > SETTING_SHARE;
}

/* What is wrong with it before it is looked at; NULL: nothing. */
static const char *setting_differs(const struct check_input *in, const struct quiet_frame *q)
{
    const struct frame_measure *a = in->measures[0], *b = q->measure;
    if (a->width_px != b->width_px || a->height_px != b->height_px || a->cell_px != b->cell_px)
        return "it is of another size";
    if (!in->rows) return NULL;
    const struct frame_row *r = &in->rows[in->frames / 2];
    if (differs(r->f_number, q->f_number)) return "its aperture is another";
    if (differs(r->iso, q->iso)) return "its ISO is another";
    if (r->exposure_us != STACK_NONE && q->exposure_us != STACK_NONE &&
        differs((double)r->exposure_us, (double)q->exposure_us))
        return "its exposure time is another";
    return NULL;
}

/* A shake takes energy along its line: the parts of the change point away from it. In the picture y runs
 * down. */
static double axis_of(const struct quiet_loss *lost)
{
    const double down = atan2(-lost->sine, -lost->cosine) / 2, deg = -down * 180 / M_PI;
    return deg < 0 ? deg + 180 : deg;
}

/* ---- how long a smear ---- */

#define ERROR_OWN   0.01 /* ln of energy, at a frame; and a frame further away: measured on clean stacks */
#define ERROR_APART 0.06
#define ERROR_SHARE 0.15 /* of the loss itself: a texture is no power law */
#define LENGTH_STEP 0.05

static double own_error(const struct quiet_loss *lost, int scale)
{
    return hypot(lost->error[scale], ERROR_OWN + ERROR_APART * lost->apart);
}

/* Sum of squares of what a smear so long leaves unexplained, in sigmas. */
static double misfit(const struct quiet_loss *lost, const struct smear_loss *of)
{
    double off = 0;
    for (int k = 0; k + 1 < MEASURE_SCALES; k++) {
        if (isnan(lost->ln_energy[k])) continue;
        const double sigma = hypot(own_error(lost, k), ERROR_SHARE * of->ln_energy[k]);
        off += pow((lost->ln_energy[k] - of->ln_energy[k]) / sigma, 2);
    }
    return off;
}

/* Fits the length; its error from how fast the misfit grows beside it (by one for a sigma). */
static struct smear_loss fit_length(const struct smear_texture *texture, const struct quiet_loss *lost,
                                    struct quiet_verdict *out)
{
    struct smear_loss best = smear_of(texture, 0);
    double least = INFINITY, lo = 0, hi = 0;
    for (int turn = 0; turn < 2; turn++)
        for (int i = 0; i * LENGTH_STEP <= SMEAR_MOST_PX; i++) {
            const double d = LENGTH_STEP * i;
            const struct smear_loss of = smear_of(texture, d);
            const double off = misfit(lost, &of);
            if (turn == 0 && off < least) {
                least = off;
                out->smear_px = lo = hi = d;
                best = of;
            } else if (turn == 1 && off < least + 1) {
                lo = fmin(lo, d);
                hi = fmax(hi, d);
            }
        }
    out->error_px = fmax((hi - lo) / 2, LENGTH_STEP);
    return best;
}

/* ---- the verdict ---- */

#define SIGMAS 4.0
/* At half the Nyquist frequency an even smear of 1.0 px leaves 0.9 of the contrast (sin(pi x) / (pi x), x a
 * quarter of the length). */
#define SMEAR_LEAST_PX 1.0
#define SHARPER        0.2 /* ln of energy: a tenth of contrast */
/* A shake along a line changes the directions by so much of what the texture foretells, at least; where it
 * foretells little, an uneven texture hides the line. */
#define ROUND_SHARE 0.3
#define ROUND_LEAST 0.03

static enum quiet_state state_of(const struct quiet_loss *lost, const struct smear_loss *of, double smear_px)
{
    const int k = isnan(lost->ln_energy[0]) ? 1 : 0;
    const double more = lost->ln_energy[k], sigma = own_error(lost, k),
                 ways = hypot(lost->cosine, lost->sine);
    if (more > fmax(SHARPER, SIGMAS * sigma)) return QUIET_SHARPER;
    if (smear_px < SMEAR_LEAST_PX) return QUIET_ALIKE;
    if (more > -SIGMAS * sigma) return QUIET_NO_USE;
    const bool no_line = ways < ROUND_SHARE * of->direction &&
                         of->direction - ways > fmax(ROUND_LEAST, SIGMAS * lost->ways_error);
    return no_line ? QUIET_SOFTER : QUIET_SHAKEN;
}

static int settle(const struct look *l, const struct quiet_loss *lost, struct quiet_verdict *out,
                  struct err *why)
{
    struct smear_texture *texture;
    int rc = quiet_texture(l, out->at, &texture, why);
    if (rc) return rc;
    const struct smear_loss of = fit_length(texture, lost, out);
    mem_free(texture);
    if (fabs(lost->ln_energy[MEASURE_SCALES - 1] - of.ln_energy[MEASURE_SCALES - 1]) > COARSE_OFF)
        return no_use(out, "its coarse detail differs, too");
    out->state = state_of(lost, &of, out->smear_px);
    if (out->state == QUIET_NO_USE)
        return no_use(out, "what is missing is less than sure; focus on a slice's place");
    out->tiles = lost->tiles;
    out->frame = lost->frame;
    out->axis_deg = hypot(lost->cosine, lost->sine) > SIGMAS * lost->ways_error ? axis_of(lost) : NAN;
    out->contrast = exp((isnan(lost->ln_energy[0]) ? lost->ln_energy[1] : lost->ln_energy[0]) / 2);
    return E_OK;
}

static int judge_one(struct look *l, struct quiet_verdict *out, struct err *why)
{
    const struct tiles *t = &l->w->tiles;
    double spread;
    struct quiet_loss lost;
    if (!look_focus(l, &out->at, &spread))
        return no_use(out, "too little of it shows texture as the stack does");
    if (fabs(l->light - t->light[l->as]) > LIGHT_STOPS * log(2)) return no_use(out, "its light is another");
    if (spread > SPREAD_MOST) return no_use(out, "it does not show the same, or from elsewhere");
    if (l->as == 0 || l->as == t->frames - 1) return no_use(out, "its focus lies at an end of the stack");
    if (!quiet_lose(l, out->at, &lost)) return no_use(out, "too little is in focus there");
    return settle(l, &lost, out, why);
}

/* What is told of two: a shake rather than none, the longer one, anything rather than no use. */
static bool tells_more(const struct quiet_verdict *a, const struct quiet_verdict *than)
{
    static const int rank[] = {0, 1, 3, 5, 4, 2};
    return rank[a->state] > rank[than->state] ||
           (a->state == than->state && a->state != QUIET_NO_USE && a->smear_px > than->smear_px);
}

int quiet_judge(struct work *w, struct err *why)
{
    const size_t n = (size_t)w->tiles.count;
    if (!w->in->quiet_count) return E_OK;
    struct look l = {.w = w};
    l.seen = mem_new(n, sizeof *l.seen, why);
    l.room = l.seen ? mem_new(3 * n, sizeof *l.room, why) : NULL;
    int rc = l.room ? E_OK : E_NOMEM;
    if (!rc) {
        l.peak = l.room + 2 * n;
        frames_focus(&w->tiles, w->curves, 2, l.peak);
    }
    for (int32_t i = 0; i < w->in->quiet_count && !rc; i++) {
        struct quiet_verdict one = {.at = NAN, .frame = -1, .axis_deg = NAN, .contrast = NAN};
        l.quiet = &w->in->quiet[i];
        snprintf(one.name, sizeof one.name, "%s", l.quiet->name);
        const char *reason = setting_differs(w->in, l.quiet);
        rc = reason ? no_use(&one, reason) : judge_one(&l, &one, why);
        if (!rc && tells_more(&one, &w->v.quiet)) w->v.quiet = one;
    }
    mem_free(l.seen);
    mem_free(l.room);
    return rc;
}
