#include "plan/slices.h"

#include <stdlib.h>

#include "base/units.h"

__extension__ typedef __int128 wide; /* nm x slices x steps a turn outgrow 64 bits */

static wide div_near(wide a, wide b)
{
    return a >= 0 ? (a + b / 2) / b : -((-a + b / 2) / b);
}

int64_t slices_needed(int64_t depth_nm, int64_t spacing_nm)
{
    return depth_nm / spacing_nm + (depth_nm % spacing_nm != 0) + 1;
}

void slices_count_length(const struct axis_spec *axis, int64_t *num, int64_t *den)
{
    const int64_t counts = (int64_t)axis->steps_per_rev * axis->microsteps;
    int64_t a = axis->lead_nm, b = counts;
    while (b) {
        const int64_t rest = a % b;
        a = b;
        b = rest;
    }
    *num = axis->lead_nm / a;
    *den = counts / a;
}

int64_t slices_counts_of(int64_t position_nm, int64_t num, int64_t den)
{
    return (int64_t)div_near((wide)position_nm * den, num);
}

int64_t slices_nm_of(int64_t counts, int64_t num, int64_t den)
{
    return (int64_t)div_near((wide)counts * num, den);
}

/* Ideal position of the k-th slice from the near mark, k = 0 on it, straight to counts: one rounding. */
static int64_t counts_at(const struct slices_spec *s, int32_t k)
{
    const int32_t gaps = s->inner > 1 ? s->inner - 1 : 1;
    const int64_t span_nm = s->inner > 1 ? s->far_nm - s->near_nm : s->spacing_nm;
    return (int64_t)div_near(((wide)s->near_nm * gaps + (wide)k * span_nm) * s->den, (wide)gaps * s->num);
}

int slices_lay(const struct slices_spec *s, struct plan_slice *out, struct err *why)
{
    const int32_t count = s->margin_near + s->inner + s->margin_far;
    for (int32_t i = 0; i < count; i++) {
        const int32_t k = i - s->margin_near;
        out[i].number = i + 1;
        out[i].margin = k < 0 || k >= s->inner;
        out[i].target_counts = counts_at(s, k);
        out[i].target_nm = slices_nm_of(out[i].target_counts, s->num, s->den);
        if (i && out[i].target_counts <= out[i - 1].target_counts)
            return fail(why, E_INPUT,
                        "slices %d and %d would be the same place, as the axis moves by %.4g um at least", i,
                        i + 1, (double)s->num / (double)s->den / NM_PER_UM);
    }
    return E_OK;
}
