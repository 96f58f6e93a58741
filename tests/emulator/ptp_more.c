#include "tests/emulator/ptp_more.h"

struct ptp_extra *ptp_extra_of(struct ptp_extras *e, uint16_t code)
{
    for (uint32_t i = 0; i < e->count; i++)
        if (e->rows[i].code == code) return &e->rows[i];
    return NULL;
}

void ptp_extra_describe(const struct ptp_extra *x, struct ptp_out *o)
{
    put_u16(o, x->code);
    put_u16(o, x->width == 1 ? 2 : x->width == 2 ? 4 : 6); /* UINT8, UINT16, UINT32 */
    put_u8(o, x->choice_count > 0);
    put_uint(o, x->value, x->width); /* by default */
    put_uint(o, x->value, x->width); /* now */
    put_u8(o, !x->choice_count ? 0 : x->range ? 1 : 2);
    if (!x->choice_count) return;
    if (x->range) {
        put_uint(o, x->choices[0], x->width);
        put_uint(o, x->choices[x->choice_count - 1], x->width);
        put_uint(o, 1, x->width);
        return;
    }
    put_u16(o, (uint16_t)x->choice_count);
    for (uint32_t i = 0; i < x->choice_count; i++)
        put_uint(o, x->choices[i], x->width);
}

bool ptp_extra_set(struct ptp_extra *x, uint32_t value)
{
    for (uint32_t i = 0; i < x->choice_count; i++)
        if (x->choices[i] == value) {
            x->value = value;
            return true;
        }
    return false;
}
