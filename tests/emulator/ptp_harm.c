/* ptp_harm.c - what befalls the emulated camera at one moment of one release, whatever its family. */
#include "tests/emulator/ptp_inside.h"

enum {
    OPEN_SESSION = 0x1002,
    GET_OBJECT = 0x1009,
    INITIATE_CAPTURE = 0x100E,
    GET_PARTIAL_OBJECT = 0x101B,
    CAPTURE_IN_MEDIA = 0x9207,
    RELEASE_ON = 0x9128,
    DRIVE_RANGE = 0x9204,
    DRIVE_SIZES = 0x9155,
    EVENT_OBJECT_ADDED = 0x4002
};

static bool is_release(const struct ptp_camera *c, const struct ptp_request *q)
{
    if (q->code == RELEASE_ON) return c->opts.family == PTP_NAMED_SIZES && (q->param[0] & 2);
    return q->code == INITIATE_CAPTURE || q->code == CAPTURE_IN_MEDIA;
}

static bool is_drive(const struct ptp_request *q)
{
    return q->code == DRIVE_RANGE || q->code == DRIVE_SIZES;
}

static bool is_transfer(struct ptp_camera *c, const struct ptp_request *q)
{
    if (q->code != GET_OBJECT && q->code != GET_PARTIAL_OBJECT) return false;
    const struct ptp_object *b = ptp_object_of(c, q->param[0]);
    return b && b->release == c->opts.harm.nth;
}

static uint16_t code_of(enum ptp_blow blow)
{
    return blow == PTP_BUSY ? PTP_DEVICE_BUSY : blow == PTP_ERROR ? PTP_GENERAL_ERROR : PTP_STORE_FULL;
}

static void park(struct ptp_camera *c)
{
    c->lens_at += c->opts.harm.parks;
    c->lens_slack = c->opts.lens_play;
}

/* Instead of the operation, or in the middle of its data. True: nothing else is done. */
static bool strike_before(struct ptp_camera *c, bool halfway, struct ptp_answer *a)
{
    const struct ptp_harm *h = &c->opts.harm;
    c->harmed = true;
    switch (h->blow) {
    case PTP_BUSY:
    case PTP_ERROR:
    case PTP_FULL:
        a->code = code_of(h->blow);
        return true;
    case PTP_CUT:
        a->fault = halfway ? PTP_WIRE_DROP_HALFWAY : PTP_WIRE_DROP;
        return !halfway;
    case PTP_MUTE:
        c->muted = true;
        return false;
    case PTP_STALLED:
    case PTP_KILLED:
        h->struck(h->arg, h->blow);
        return false;
    case PTP_AWAY:
        park(c);
        a->fault = halfway ? PTP_WIRE_AWAY_HALFWAY : PTP_WIRE_AWAY;
        return !halfway;
    case PTP_BLOWS:
        break;
    }
    return false;
}

bool ptp_harm_before(struct ptp_camera *c, const struct ptp_request *q, struct ptp_answer *a)
{
    const struct ptp_harm *h = &c->opts.harm;
    if (c->next_code && q->code != OPEN_SESSION) {
        a->code = c->next_code;
        c->next_code = 0;
        return true;
    }
    if (is_release(c, q) && c->release_count >= h->nth + (h->phase > PTP_ANNOUNCED)) c->muted = false;
    if (!h->phase || c->harmed) return false;
    switch (h->phase) {
    case PTP_BEFORE_TRIGGER:
        return is_release(c, q) && c->release_count + 1 == h->nth && strike_before(c, false, a);
    case PTP_ANNOUNCED:
        return c->announced && strike_before(c, false, a);
    case PTP_MID_TRANSFER:
        return is_transfer(c, q) && strike_before(c, true, a);
    case PTP_BETWEEN:
        return is_drive(q) && c->release_count >= h->nth && strike_before(c, false, a);
    case PTP_NO_PHASE:
    case PTP_TRIGGER_SENT:
    case PTP_TRANSFERRED:
        break;
    }
    return false;
}

/* The operation was done. `whole`: its answer goes out first. */
static void strike_after(struct ptp_camera *c, bool whole, struct ptp_answer *a)
{
    const struct ptp_harm *h = &c->opts.harm;
    c->harmed = true;
    switch (h->blow) {
    case PTP_BUSY:
    case PTP_ERROR:
    case PTP_FULL:
        if (whole)
            c->next_code = code_of(h->blow);
        else
            a->code = code_of(h->blow);
        break;
    case PTP_CUT:
        a->fault = whole ? PTP_WIRE_DROP_AFTER : PTP_WIRE_DROP;
        break;
    case PTP_MUTE:
        c->muted = true;
        break;
    case PTP_STALLED:
    case PTP_KILLED:
        h->struck(h->arg, h->blow);
        break;
    case PTP_AWAY:
        park(c);
        a->fault = whole ? PTP_WIRE_AWAY_AFTER : PTP_WIRE_AWAY;
        break;
    case PTP_BLOWS:
        break;
    }
}

void ptp_harm_after(struct ptp_camera *c, const struct ptp_request *q, int32_t releases_before,
                    struct ptp_answer *a)
{
    const struct ptp_harm *h = &c->opts.harm;
    if (c->harmed) return;
    if (h->phase == PTP_TRIGGER_SENT && c->release_count > releases_before && c->release_count == h->nth)
        strike_after(c, false, a);
    if (h->phase == PTP_TRANSFERRED && is_transfer(c, q) && a->code == PTP_OK) strike_after(c, true, a);
}

bool ptp_harm_hides(struct ptp_camera *c, const struct ptp_event *e)
{
    const struct ptp_object *b = e->code == EVENT_OBJECT_ADDED ? ptp_object_of(c, e->param) : NULL;
    if (c->muted) return true;
    if (b && b->release == c->opts.harm.nth) c->announced = true;
    return false;
}
