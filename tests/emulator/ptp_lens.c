/* ptp_lens.c - the lens of the emulated camera: a motor, play between it and the glass, a stop at each end,
 * and a switch on its side that holds it. Invented mechanics; what a real one does with its counts nobody
 * publishes. */
#include <stdlib.h>

#include "tests/emulator/ptp_inside.h"

/* Play is a gap of fixed width: the glass follows once the motor pushes at either side of it. */
static int32_t pushed(struct ptp_camera *c, int32_t by)
{
    if (by > 0) {
        const int32_t lost = by < c->lens_slack ? by : c->lens_slack;
        c->lens_slack -= lost;
        return by - lost;
    }
    const int32_t gap = c->opts.lens_play - c->lens_slack, lost = -by < gap ? -by : gap;
    c->lens_slack += lost;
    return by + lost;
}

bool ptp_lens_drive(struct ptp_camera *c, int32_t by, int64_t now_us)
{
    const int32_t from = c->lens_at, held_from = c->opts.faults.limiter_from;
    const bool held = held_from && c->move_count + 1 >= held_from;
    int32_t to = held ? from : from + pushed(c, by);
    const int32_t wanted = to;
    if (to < c->opts.lens_lo) to = c->opts.lens_lo;
    if (to > c->opts.lens_hi) to = c->opts.lens_hi;
    c->lens_at = to;
    if (c->opts.lens_us_a_count > 0 && !held)
        c->lens_busy_until_us = now_us + (int64_t)c->opts.lens_us_a_count * abs(by);
    if (c->move_count < PTP_MOVES_MOST) c->moves[c->move_count++] = (struct ptp_move){by, from, to};
    return to == wanted;
}

bool ptp_lens_moves(const struct ptp_camera *c, int64_t now_us)
{
    return now_us < c->lens_busy_until_us;
}

uint8_t *ptp_lens_view(struct ptp_camera *c, size_t *count_out)
{
    return c->opts.picture ? c->opts.picture(c->opts.picture_arg, 0, c->lens_at, 0, count_out)
                           : ptp_picture_made(&c->opts.scene, 0, c->lens_at, count_out);
}
