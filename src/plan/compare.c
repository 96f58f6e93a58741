#include "plan/compare.h"

#include <math.h>
#include <stddef.h>

#include "base/mem.h"
#include "optics/diffraction.h"
#include "optics/exposure.h"
#include "optics/lens.h"
#include "plan/plan.h"

#define STOP 3 /* thirds */

/* Plans it and keeps all but the slices. */
static void fill_row(struct compare_row *row, const struct bench *b, const struct job *j)
{
    struct plan_optics o;
    row->contrast_drop = j->contrast_drop > 0 ? j->contrast_drop : PLAN_CONTRAST_DROP;
    row->overlap = j->overlap;
    if (j->overlap >= 0) row->contrast_drop = -1;
    row->refused = plan_optics_make(b, j, &o, NULL) != E_OK;
    if (row->refused) return;
    const double half_nyquist = lens_nyquist_lp_per_mm(o.pixel_um / 1000) / 2;
    row->marked = o.marked_f_number;
    row->effective = o.effective_f_number;
    row->airy_px = o.airy_diameter_um / o.pixel_um;
    row->contrast_in_focus = diffraction_mtf(half_nyquist * LIGHT_MM * o.effective_f_number);
    row->refused = plan_make(b, j, &row->plan, NULL, NULL) != E_OK;
    if (row->refused) return;
    mem_free(row->plan.slices);
    row->plan.slices = NULL;
}

int compare_apertures(const struct bench *b, const struct job *j, struct compare_row rows[COMPARE_MOST])
{
    struct bench tried = *b;
    double *const n = b->lens.f_number > 0 ? &tried.lens.f_number : &tried.lens.effective_f_number;
    if (!(*n > 0)) return 0;
    const double own = *n;
    const int third = exposure_f_number_third(own);
    int count = 0;
    for (int k = third - 2 * STOP; k <= third + 3 * STOP; k += STOP) {
        const double mark = k == third ? own : exposure_f_number_mark(k);
        if (!(mark > 0)) continue;
        *n = mark;
        rows[count] = (struct compare_row){.own = k == third};
        fill_row(&rows[count++], &tried, j);
    }
    return count;
}

static bool is_own(const struct job *j, double drop, double overlap)
{
    if (j->spacing_nm || j->slices) return false;
    if (overlap >= 0) return j->overlap >= 0 && fabs(j->overlap - overlap) < 1e-9;
    return j->overlap < 0 &&
           fabs((j->contrast_drop > 0 ? j->contrast_drop : PLAN_CONTRAST_DROP) - drop) < 1e-9;
}

int compare_spacings(const struct bench *b, const struct job *j, struct compare_row rows[COMPARE_MOST])
{
    static const struct {
        double drop, overlap;
    } choices[] = {{0.10, -1}, {0.20, -1}, {0.30, -1}, {-1, 0.50}, {-1, 0.30}, {-1, 0.20}};
    const int count = (int)(sizeof choices / sizeof *choices);
    for (int i = 0; i < count; i++) {
        struct job tried = *j;
        tried.spacing_nm = 0;
        tried.slices = 0;
        tried.contrast_drop = choices[i].drop > 0 ? choices[i].drop : 0;
        tried.overlap = choices[i].overlap;
        rows[i] = (struct compare_row){.own = is_own(j, choices[i].drop, choices[i].overlap)};
        fill_row(&rows[i], b, &tried);
    }
    return count;
}
