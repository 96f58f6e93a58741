/* render.c - a shot becomes a picture.
 *
 *   plan -> every sheet's far blur, at 1/4 size and below (one job a sheet)
 *        -> bands of rows: the rest of the blur at 1/2 and full size, sheets laid over each other front to
 * back, light developed to 8 bits (one job a band)
 *
 *  1. A point of a sheet sends its light, and its coverage, into the spot that its depth asks for. Within a
 * sheet light adds up; a sheet in front lets through what its own blurred coverage leaves: rays that miss it.
 *  2. Jobs do not depend on the number of threads, and each writes only its own memory: the bytes are always
 * the same. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/mem.h"
#include "sim/film.h"
#include "sim/crew.h"

#define BAND        192  /* rows; a multiple of BLOCK */
#define FARTHEST_PX 42.0 /* of a movement that kernels can hold */
#define FAR_LEVEL   2    /* sizes from here on are drawn for the whole frame at once */

struct studio {
    const struct world *world;
    const struct shot *shot;
    struct render_plan plan;
    const struct kernel_set *kernels[SHEET_LEVELS];
    struct kernel_set moved[SHEET_LEVELS];
    struct film *far; /* a sheet's light from FAR_LEVEL on, at that size */
    uint8_t *rgb;
};

/* --- motion --- */

static double mean_of(const double *x, int32_t n)
{
    double sum = 0;
    for (int32_t i = 0; i < n; i++)
        sum += x[i];
    return n > 0 ? sum / n : 0;
}

static struct view shot_view(const struct world *w, const struct shot *s)
{
    double px_um = w->lens.pixel_um / w->lens.magnification;
    return view_at(w, mean_of(s->focus_nm, s->samples) / 1000, mean_of(s->x_um, s->samples) / px_um,
                   mean_of(s->y_um, s->samples) / px_um);
}

/* The movement around its mean, in the pixels of a level; false when it is too small to show. */
static bool movement(const struct world *w, const struct shot *s, int level, struct psf_motion *m)
{
    double size = 1 << level, px_um = w->lens.pixel_um / w->lens.magnification;
    double focus = mean_of(s->focus_nm, s->samples), x = mean_of(s->x_um, s->samples),
           y = mean_of(s->y_um, s->samples);
    double far_step = 0, far_px = 0;
    m->count = s->samples;
    for (int32_t i = 0; i < s->samples; i++) {
        double steps = lens_disc_px(&w->lens, (focus - s->focus_nm[i]) / 1000) / size / PSF_STEP;
        double dx = (s->x_um[i] - x) / px_um / size, dy = (s->y_um[i] - y) / px_um / size;
        far_step = fmax(far_step, fabs(steps));
        far_px = fmax(far_px, hypot(dx, dy));
        m->steps[i] = (float)fmax(fmin(steps, PSF_COUNT), -PSF_COUNT);
        m->dx[i] = (float)fmax(fmin(dx, FARTHEST_PX), -FARTHEST_PX);
        m->dy[i] = (float)fmax(fmin(dy, FARTHEST_PX), -FARTHEST_PX);
    }
    return far_step > 0.4 || far_px > 0.02;
}

static double spread_px(const struct world *w, const struct shot *s)
{
    struct psf_motion m;
    double most = 0;
    movement(w, s, 0, &m);
    for (int i = 0; i < m.count; i++)
        most = fmax(most, hypot((double)m.dx[i], (double)m.dy[i]) + fabs((double)m.steps[i]) * PSF_STEP / 2);
    return most > 0.02 ? most + 1 : 0;
}

static int prepare_kernels(struct studio *st, struct err *why)
{
    for (int l = 0; l < SHEET_LEVELS; l++) {
        const struct kernel_set *set = l ? &st->world->reduced : &st->world->full;
        struct psf_motion m;
        st->kernels[l] = set;
        if (st->plan.last_kernel[l] < st->plan.first_kernel[l] || !movement(st->world, st->shot, l, &m))
            continue;
        int rc = psf_moved(&st->moved[l], set, st->plan.first_kernel[l], st->plan.last_kernel[l], &m, why);
        if (rc) return rc;
        st->kernels[l] = &st->moved[l];
    }
    return E_OK;
}

/* --- far blur --- */

static struct rect lit_at(const struct sheet_plan *sp, int level, int32_t margin)
{
    return (struct rect){(sp->lit.x0 >> level) - margin, (sp->lit.y0 >> level) - margin,
                         (sp->lit.x1 >> level) + margin, (sp->lit.y1 >> level) + margin};
}

static int draw_far(void *arg, int job, struct err *why)
{
    struct studio *st = arg;
    const struct sheet_plan *sp = &st->plan.sheets[job];
    struct film coarse = {0}, fine = {0};
    int coarsest = SHEET_LEVELS - 1;
    if (!sp->drawn) return E_OK;
    while (coarsest >= FAR_LEVEL && !(sp->levels >> coarsest & 1))
        coarsest--;
    for (int l = coarsest; l >= FAR_LEVEL; l--) {
        int rc = film_init(&fine, lit_at(sp, l, 4), why);
        if (rc) {
            film_clear(&coarse);
            return rc;
        }
        if (sp->levels >> l & 1) film_draw(&fine, &st->plan, sp, l, st->kernels[l]);
        film_add_half(&fine, &coarse);
        film_clear(&coarse);
        coarse = fine;
        fine = (struct film){0};
    }
    st->far[job] = coarse;
    return E_OK;
}

/* --- laying sheets over each other --- */

/* The part of a band that one sheet lights at full and half size. */
struct near_light {
    struct film full, half;
};

/* Room for one block at full size, and at 1/2 and 1/4 with what enlarging needs around it. */
enum {
    AROUND1 = 2,
    AROUND2 = 3,
    AREA0 = BLOCK * BLOCK,
    AREA1 = (BLOCK / 2 + 2 * AROUND1) * (BLOCK / 2 + 2 * AROUND1),
    AREA2 = (BLOCK / 4 + 2 * AROUND2) * (BLOCK / 4 + 2 * AROUND2)
};

struct pane {
    v4 store[AREA0 + AREA1 + AREA2];
    v4 seen[AREA0];
    float through[AREA0]; /* of the rays, how many went past everything so far */
};

static void block_films(v4 *store, int32_t bx, int32_t by, struct film level[3])
{
    int32_t x = bx * BLOCK, y = by * BLOCK;
    level[0] = (struct film){{x, y, x + BLOCK, y + BLOCK}, store};
    for (int l = 1; l < 3; l++) {
        int32_t x0 = x >> l, y0 = y >> l, n = BLOCK >> l, a = l == 1 ? AROUND1 : AROUND2;
        level[l] =
            (struct film){{x0 - a, y0 - a, x0 + n + a, y0 + n + a}, store + (l == 1 ? AREA0 : AREA0 + AREA1)};
    }
}

static void copy_part(struct film *to, const struct film *from)
{
    int32_t w = to->at.x1 - to->at.x0;
    for (int32_t y = to->at.y0; y < to->at.y1; y++) {
        v4 *row = film_at(to, to->at.x0, y);
        int32_t x0 = to->at.x0 > from->at.x0 ? to->at.x0 : from->at.x0;
        int32_t x1 = to->at.x1 < from->at.x1 ? to->at.x1 : from->at.x1;
        bool some = from->light && y >= from->at.y0 && y < from->at.y1 && x0 < x1;
        if (!some || x1 - x0 < w) memset(row, 0, (size_t)w * sizeof *row);
        if (some) memcpy(film_at(to, x0, y), film_at(from, x0, y), (size_t)(x1 - x0) * sizeof *row);
    }
}

/* A sheet's light over a block, at level `finest`. */
static void gather(const struct film *far, const struct near_light *near, int finest, struct film level[3])
{
    const struct film *own[3] = {&near->full, &near->half, far};
    for (int l = 2; l >= 0 && l >= finest; l--) {
        copy_part(&level[l], own[l]);
        if (l < 2) film_add_half(&level[l], &level[l + 1]);
    }
}

/* Coverage from `solid` on is the inside of a surface: its light is brought to full coverage, gradually. */
static v4 as_surface(v4 light, bool backdrop)
{
    static const float open = 0.90f, solid = 0.97f;
    float cover = light[3];
    if (backdrop && cover > 1e-3f) return light / v4_all(cover);
    if (cover <= open) return light;
    float full = cover >= solid ? 1 / cover : 1 + (cover - open) / (solid - open) * (1 / cover - 1);
    return light * v4_all(full);
}

/* Returns the largest share of rays that still go past. */
static float lay_behind(struct pane *p, const v4 *sheet, int32_t n, bool backdrop)
{
    float most = 0;
    for (int32_t i = 0; i < n; i++) {
        v4 light = as_surface(sheet[i], backdrop);
        float t = p->through[i];
        p->seen[i] += v4_all(t) * light;
        t *= 1 - light[3];
        p->through[i] = t;
        if (t > most) most = t;
    }
    return most;
}

static void compose_block(const struct studio *st, const struct near_light *near, int32_t bx, int32_t by,
                          struct pane *p, struct film *band)
{
    const struct render_plan *plan = &st->plan;
    int32_t cell = by * plan->frame_cols + bx;
    int finest = 2;
    for (int32_t i = 0; i < plan->count; i++)
        if (plan->sheets[i].drawn && plan->sheets[i].finest[cell] < finest)
            finest = plan->sheets[i].finest[cell];

    static const int32_t area[3] = {AREA0, AREA1, AREA2};
    struct film level[3];
    block_films(p->store, bx, by, level);
    memset(p->seen, 0, sizeof p->seen);
    for (int32_t i = 0; i < area[finest]; i++)
        p->through[i] = 1;
    for (int32_t i = 0; i < plan->count; i++) {
        const struct sheet_plan *sp = &plan->sheets[i];
        if (!sp->drawn || sp->finest[cell] == 3) continue;
        gather(&st->far[i], &near[i], finest, level);
        if (lay_behind(p, level[finest].light, area[finest], sp->sheet->backdrop) < 1e-3f) break;
    }
    memcpy(level[finest].light, p->seen, (size_t)area[finest] * sizeof *p->seen);
    for (int l = finest - 1; l >= 0; l--) {
        memset(level[l].light, 0, (size_t)area[l] * sizeof *p->seen);
        film_add_half(&level[l], &level[l + 1]);
    }
    for (int32_t y = level[0].at.y0; y < level[0].at.y1 && y < band->at.y1; y++)
        memcpy(film_at(band, level[0].at.x0, y), film_at(&level[0], level[0].at.x0, y), BLOCK * sizeof(v4));
}

static void clear_near(struct near_light *near, int32_t count)
{
    for (int32_t i = 0; near && i < count; i++) {
        film_clear(&near[i].full);
        film_clear(&near[i].half);
    }
    mem_free(near);
}

static int draw_near(const struct studio *st, const struct sheet_plan *sp, int32_t top, int32_t bottom,
                     struct near_light *near, struct err *why)
{
    for (int l = 0; l < FAR_LEVEL; l++) {
        struct film *c = l ? &near->half : &near->full;
        struct rect at = lit_at(sp, l, l ? AROUND1 : 0);
        int32_t y0 = (top >> l) - (l ? AROUND1 : 0), y1 = (bottom >> l) + (l ? AROUND1 : 0);
        if (at.y0 < y0) at.y0 = y0;
        if (at.y1 > y1) at.y1 = y1;
        if (!(sp->levels >> l & 1) || at.y0 >= at.y1) continue;
        int rc = film_init(c, at, why);
        if (rc) return rc;
        film_draw(c, &st->plan, sp, l, st->kernels[l]);
    }
    return E_OK;
}

static int draw_band(void *arg, int job, struct err *why)
{
    struct studio *st = arg;
    const struct render_plan *plan = &st->plan;
    int32_t top = job * BAND, bottom = top + BAND;
    if (bottom > plan->frame_rows * BLOCK) bottom = plan->frame_rows * BLOCK;
    struct film band = {0};
    int rc = film_init(&band, (struct rect){0, top, plan->frame_cols * BLOCK, bottom}, why);
    struct near_light *near = mem_new((size_t)plan->count, sizeof *near, why);
    struct pane *pane = mem_new(1, sizeof *pane, why);
    if (rc || !near || !pane) {
        rc = E_NOMEM;
        goto out;
    }
    for (int32_t i = 0; i < plan->count && !rc; i++)
        if (plan->sheets[i].drawn) rc = draw_near(st, &plan->sheets[i], top, bottom, &near[i], why);
    if (rc) goto out;
    for (int32_t by = top / BLOCK; by < bottom / BLOCK; by++) {
        for (int32_t bx = 0; bx < plan->frame_cols; bx++)
            compose_block(st, near, bx, by, pane, &band);
    }
    develop(st->world, st->shot, &band, st->rgb);
out:
    mem_free(pane);
    clear_near(near, plan->count);
    film_clear(&band);
    return rc;
}

int render_rgb(const struct world *w, const struct shot *s, int threads, uint8_t *rgb, struct err *why)
{
    struct studio st = {.world = w, .shot = s, .rgb = rgb};
    struct view view = shot_view(w, s);
    int rc = render_plan_make(&st.plan, w, &view, spread_px(w, s), why);
    if (rc) return rc;
    st.far = mem_new((size_t)st.plan.count, sizeof *st.far, why);
    rc = st.far ? prepare_kernels(&st, why) : E_NOMEM;
    if (!rc) rc = crew_run(draw_far, &st, st.plan.count, threads, why);
    if (!rc) rc = crew_run(draw_band, &st, (st.plan.frame_rows * BLOCK + BAND - 1) / BAND, threads, why);
    for (int32_t i = 0; st.far && i < st.plan.count; i++)
        film_clear(&st.far[i]);
    mem_free(st.far);
    for (int l = 0; l < SHEET_LEVELS; l++)
        psf_clear(&st.moved[l]);
    render_plan_clear(&st.plan);
    return rc;
}
