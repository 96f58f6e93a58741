#include "tests/emulator/ptp_camera.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tests/emulator/ptp_inside.h"

/* Codes of ISO 15740. */
enum {
    GET_DEVICE_INFO = 0x1001,
    OPEN_SESSION,
    CLOSE_SESSION,
    GET_STORAGE_IDS,
    GET_STORAGE_INFO,
    GET_NUM_OBJECTS,
    GET_OBJECT_HANDLES,
    GET_OBJECT_INFO,
    GET_OBJECT,
    GET_THUMB,
    DELETE_OBJECT,
    INITIATE_CAPTURE = 0x100E,
    GET_PROP_DESC = 0x1014,
    GET_PROP_VALUE,
    SET_PROP_VALUE,
    GET_PARTIAL_OBJECT = 0x101B,

    EVENT_OBJECT_ADDED = 0x4002,
    EVENT_CAPTURE_COMPLETE = 0x400D,

    BATTERY = 0x5001,
    COMPRESSION = 0x5004,
    WHITE_BALANCE = 0x5005,
    F_NUMBER = 0x5007,
    FOCUS_MODE = 0x500A,
    EXPOSURE_TIME = 0x500D,
    PROGRAM = 0x500E,
    ISO = 0x500F,
    DATE_TIME = 0x5011,

    FORMAT_RAW = 0x3000,
    FORMAT_JPEG = 0x3801,
    FORMAT_THUMB = 0x3808
};

/* Codes of vendor extension 0x0A. */
enum {
    CHECK_EVENT = 0x90C7,
    DEVICE_READY = 0x90C8,
    START_LIVE_VIEW = 0x9201,
    END_LIVE_VIEW,
    GET_LIVE_VIEW,
    DRIVE_LENS,
    CAPTURE_IN_MEDIA = 0x9207,
};

#define STORE           PTP_STORE
#define STORE_BYTES     32000000000ull
#define READY_US        100000
#define SHORTEST_MOVE   4
#define MOVE_US_A_COUNT 50

void ptp_camera_init(struct ptp_camera *c, const struct ptp_camera_opts *opts)
{
    *c = (struct ptp_camera){.opts = *opts,
                             .compression = opts->raw ? 2 : 1,
                             .white_balance = 4,
                             .f_number = 560,
                             .focus_mode = 1,
                             .program = 1,
                             .iso = 100,
                             .exposure_time = 2500};
    strcpy(c->date_time, "20010101T200000");
    if (!c->opts.ready_us) c->opts.ready_us = READY_US;
    if (!c->opts.battery) c->opts.battery = 80;
    if (!c->opts.shots_left) c->opts.shots_left = 999;
    if (!c->opts.lens_lo && !c->opts.lens_hi) {
        c->opts.lens_lo = -4000;
        c->opts.lens_hi = 4000;
    }
    c->lens_at = c->opts.lens_at;
    c->lens_slack = c->opts.lens_play; /* it came from afar */
    if (!c->opts.lens_us_a_count) c->opts.lens_us_a_count = MOVE_US_A_COUNT;
    if (!c->opts.sizes[0]) memcpy(c->opts.sizes, (const int32_t[]){1, 6, 30}, sizeof c->opts.sizes);
    c->live_mode = 1;
    c->named_focus = 3; /* by hand */
}

void ptp_camera_clear(struct ptp_camera *c)
{
    for (int32_t i = 0; i < c->object_count; i++)
        free(c->objects[i].bytes);
    c->object_count = 0;
    put_free(&c->records);
}

/* ---- the device and its store ---- */

static void device_info(const struct ptp_camera *c, struct ptp_out *o)
{
    static const uint16_t generic[] = {
        GET_DEVICE_INFO,  OPEN_SESSION,    CLOSE_SESSION,      GET_STORAGE_IDS,
        GET_STORAGE_INFO, GET_NUM_OBJECTS, GET_OBJECT_HANDLES, GET_OBJECT_INFO,
        GET_OBJECT,       GET_THUMB,       DELETE_OBJECT,      INITIATE_CAPTURE,
        GET_PROP_DESC,    GET_PROP_VALUE,  SET_PROP_VALUE,     GET_PARTIAL_OBJECT};
    static const uint16_t drive[] = {CHECK_EVENT,   DEVICE_READY, START_LIVE_VIEW, END_LIVE_VIEW,
                                     GET_LIVE_VIEW, DRIVE_LENS,   CAPTURE_IN_MEDIA};
    static const uint16_t events[] = {EVENT_OBJECT_ADDED, EVENT_CAPTURE_COMPLETE};
    static const uint16_t props[] = {BATTERY,       COMPRESSION, WHITE_BALANCE, F_NUMBER, FOCUS_MODE,
                                     EXPOSURE_TIME, PROGRAM,     ISO,           DATE_TIME};
    static const uint16_t formats[] = {FORMAT_JPEG, FORMAT_RAW};
    static const char *const models[] = {"Plain Camera", "Range Drive", "Named Sizes"};
    static const uint32_t extensions[] = {0, 0x0A, 0x0B};
    const enum ptp_family family = c->opts.family;
    const uint16_t *own = family == PTP_RANGE_DRIVE ? drive : ptp_named_operations;
    const uint32_t own_count = family == PTP_GENERIC       ? 0
                               : family == PTP_RANGE_DRIVE ? sizeof drive / sizeof *drive
                                                           : ptp_named_operation_count;
    const uint32_t plain = sizeof generic / sizeof *generic;
    put_u16(o, 100);
    put_u32(o, extensions[family]);
    put_u16(o, 100);
    put_string(o, "");
    put_u16(o, 0);
    put_u32(o, plain + own_count);
    for (uint32_t i = 0; i < plain; i++)
        put_u16(o, generic[i]);
    for (uint32_t i = 0; i < own_count; i++)
        put_u16(o, own[i]);
    put_u16_list(o, events, 2);
    const uint32_t own_props = family == PTP_NAMED_SIZES ? 0 : sizeof props / sizeof *props;
    const struct ptp_extras *more = &c->opts.extras;
    put_u32(o, own_props + (own_props ? more->count : 0));
    for (uint32_t i = 0; i < own_props; i++)
        put_u16(o, props[i]);
    for (uint32_t i = 0; own_props && i < more->count; i++)
        put_u16(o, more->rows[i].code);
    put_u16_list(o, formats, 2);
    put_u16_list(o, formats, 2);
    put_string(o, "Staddle tests");
    put_string(o, models[family]);
    put_string(o, "1.0");
    put_string(o, "0001");
}

void ptp_storage_info(const struct ptp_camera *c, struct ptp_out *o)
{
    const int32_t left = c->opts.shots_left - c->release_count;
    put_u16(o, 4); /* removable RAM */
    put_u16(o, 3); /* DCF */
    put_u16(o, 0); /* read and write */
    put_u64(o, STORE_BYTES);
    put_u64(o, (uint64_t)(left > 0 ? left : 0) * 10000000u);
    put_u32(o, left > 0 ? (uint32_t)left : 0);
    put_string(o, "card");
    put_string(o, "");
}

struct ptp_object *ptp_object_of(struct ptp_camera *c, uint32_t handle)
{
    for (int32_t i = 0; i < c->object_count; i++)
        if (c->objects[i].handle == handle && c->objects[i].bytes) return &c->objects[i];
    return NULL;
}

static void object_handles(const struct ptp_camera *c, struct ptp_out *o)
{
    uint32_t n = 0;
    for (int32_t i = 0; i < c->object_count; i++)
        n += c->objects[i].bytes && !c->objects[i].for_host;
    put_u32(o, n);
    for (int32_t i = 0; i < c->object_count; i++)
        if (c->objects[i].bytes && !c->objects[i].for_host) put_u32(o, c->objects[i].handle);
}

static void object_info(const struct ptp_camera *c, const struct ptp_object *b, struct ptp_out *o)
{
    put_u32(o, STORE);
    put_u16(o, b->format);
    put_u16(o, 0);
    put_u32(o, b->count);
    put_u16(o, FORMAT_THUMB);
    put_u32(o, b->count);
    put_u32(o, PTP_PICTURE_WIDTH);
    put_u32(o, PTP_PICTURE_HEIGHT);
    put_u32(o, PTP_PICTURE_WIDTH);
    put_u32(o, PTP_PICTURE_HEIGHT);
    put_u32(o, 24);
    put_u32(o, 0);
    put_u16(o, 0);
    put_u32(o, 0);
    put_u32(o, (uint32_t)b->release);
    put_string(o, b->name);
    put_string(o, c->date_time);
    put_string(o, c->date_time);
    put_string(o, "");
}

/* ---- properties ---- */

struct form {
    uint16_t type; /* 2 UINT8, 4 UINT16, 6 UINT32, FFFF string */
    bool writable;
    const uint32_t *choices; /* enumeration; NULL: none */
    uint32_t choice_count;
};

static const uint32_t f_numbers[] = {280, 320, 350, 400, 450, 500, 560, 630, 710, 800, 900, 1000, 1100, 1600};
static const uint32_t times[] = {1,   2,    5,    10,   20,    40,    80,    166,  333,
                                 666, 1250, 2500, 5000, 10000, 20000, 40000, 80000};
static const uint32_t isos[] = {100, 125, 160, 200, 400, 800, 1600};
static const uint32_t balances[] = {2, 4, 5, 6, 7};
static const uint32_t focus_modes[] = {1, 2};
static const uint32_t programs[] = {1, 2, 3, 4};
static const uint32_t compressions[] = {0, 1, 2};
#define LIST(a) (a), sizeof(a) / sizeof *(a)

static bool form_of(uint16_t prop, struct form *f)
{
    switch (prop) {
    case BATTERY:
        *f = (struct form){.type = 2};
        return true;
    case COMPRESSION:
        *f = (struct form){2, true, LIST(compressions)};
        return true;
    case WHITE_BALANCE:
        *f = (struct form){4, true, LIST(balances)};
        return true;
    case F_NUMBER:
        *f = (struct form){4, true, LIST(f_numbers)};
        return true;
    case FOCUS_MODE:
        *f = (struct form){4, true, LIST(focus_modes)};
        return true;
    case EXPOSURE_TIME:
        *f = (struct form){6, true, LIST(times)};
        return true;
    case PROGRAM:
        *f = (struct form){4, true, LIST(programs)};
        return true;
    case ISO:
        *f = (struct form){4, true, LIST(isos)};
        return true;
    case DATE_TIME:
        *f = (struct form){.type = 0xFFFF, .writable = true};
        return true;
    default:
        return false;
    }
}

static int width_of(uint16_t type)
{
    return type == 2 ? 1 : type == 4 ? 2 : 4;
}

static uint32_t value_of(const struct ptp_camera *c, uint16_t prop)
{
    switch (prop) {
    case BATTERY:
        return (uint32_t)c->opts.battery;
    case COMPRESSION:
        return c->compression;
    case WHITE_BALANCE:
        return c->white_balance;
    case F_NUMBER:
        return c->f_number;
    case FOCUS_MODE:
        return c->focus_mode;
    case EXPOSURE_TIME:
        return c->exposure_time;
    case PROGRAM:
        return c->program;
    default:
        return c->iso;
    }
}

static void put_value(const struct ptp_camera *c, uint16_t prop, const struct form *f, struct ptp_out *o)
{
    if (f->type == 0xFFFF)
        put_string(o, c->date_time);
    else
        put_uint(o, value_of(c, prop), width_of(f->type));
}

static uint16_t prop_desc(struct ptp_camera *c, uint16_t prop, struct ptp_out *o)
{
    struct form f;
    const struct ptp_extra *extra = ptp_extra_of(&c->opts.extras, prop);
    if (extra) {
        ptp_extra_describe(extra, o);
        return PTP_OK;
    }
    if (!form_of(prop, &f)) return PTP_PROPERTY_NOT_SUPPORTED;
    put_u16(o, prop);
    put_u16(o, f.type);
    put_u8(o, f.writable);
    put_value(c, prop, &f, o); /* by default */
    put_value(c, prop, &f, o); /* now */
    if (f.choices) {
        put_u8(o, 2);
        put_u16(o, (uint16_t)f.choice_count);
        for (uint32_t i = 0; i < f.choice_count; i++)
            put_uint(o, f.choices[i], width_of(f.type));
    } else if (prop == BATTERY) {
        put_u8(o, 1);
        put_u8(o, 0);
        put_u8(o, 100);
        put_u8(o, 1);
    } else {
        put_u8(o, 0);
    }
    return PTP_OK;
}

static uint16_t set_prop(struct ptp_camera *c, uint16_t prop, const uint8_t *data, size_t count)
{
    struct form f;
    struct ptp_in in = {data, count, false};
    struct ptp_extra *extra = ptp_extra_of(&c->opts.extras, prop);
    if (extra)
        return ptp_extra_set(extra, (uint32_t)get_uint(&in, extra->width)) ? PTP_OK : PTP_INVALID_VALUE;
    if (!form_of(prop, &f) || !f.writable) return PTP_PROPERTY_NOT_SUPPORTED;
    if (prop == DATE_TIME) return PTP_OK;
    const uint32_t v = (uint32_t)get_uint(&in, width_of(f.type));
    bool known = false;
    for (uint32_t i = 0; i < f.choice_count; i++)
        known = known || f.choices[i] == v;
    if (in.broken || !known) return PTP_INVALID_VALUE;
    switch (prop) {
    case COMPRESSION:
        c->compression = (uint8_t)v;
        break;
    case WHITE_BALANCE:
        c->white_balance = (uint16_t)v;
        break;
    case F_NUMBER:
        c->f_number = (uint16_t)v;
        break;
    case FOCUS_MODE:
        c->focus_mode = (uint16_t)v;
        break;
    case EXPOSURE_TIME:
        c->exposure_time = v;
        break;
    case PROGRAM:
        c->program = (uint16_t)v;
        break;
    default:
        c->iso = (uint16_t)v;
    }
    return PTP_OK;
}

/* ---- the shutter ---- */

static void add_event(struct ptp_camera *c, uint16_t code, uint32_t param, int64_t due_us)
{
    if (c->event_count < PTP_EVENTS_MOST)
        c->events[c->event_count++] = (struct ptp_event){code, param, due_us};
}

/* A TIFF header in front: no JPEG any more, and the picture still in it. */
static uint8_t *as_raw(uint8_t *jpeg, size_t *count)
{
    uint8_t *raw = malloc(*count + 8);
    if (!raw) abort();
    memcpy(raw, "II*\0\0\0\0\0", 8);
    memcpy(raw + 8, jpeg, *count);
    free(jpeg);
    *count += 8;
    return raw;
}

static uint32_t add_object(struct ptp_camera *c, int32_t release, uint16_t format,
                           const struct ptp_release *r)
{
    if (c->object_count == PTP_OBJECTS_MOST) return 0;
    struct ptp_object *b = &c->objects[c->object_count++];
    size_t count;
    uint8_t *bytes = c->opts.picture
                         ? c->opts.picture(c->opts.picture_arg, release, r->lens_at, r->exposure_us, &count)
                         : ptp_picture_made(&c->opts.scene, release, r->lens_at, &count);
    if (format == FORMAT_RAW) bytes = as_raw(bytes, &count);
    *b = (struct ptp_object){.handle = 0x10000u + (uint32_t)c->object_count,
                             .release = release,
                             .format = format,
                             .bytes = bytes,
                             .for_host = c->to_host,
                             .count = (uint32_t)count};
    snprintf(b->name, sizeof b->name, "IMG_%04d.%s", release % 10000, format == FORMAT_RAW ? "DNG" : "JPG");
    if (b->for_host)
        snprintf(b->name, sizeof b->name, "capt%04d.jpg", c->object_count % 10000); /* also a raw */
    return b->handle;
}

#define MIRROR_US 30000000 /* then it comes down by itself (common practice, no source) */

/* A press that only raises the mirror. */
static bool raises_mirror(struct ptp_camera *c, int64_t now_us)
{
    const struct ptp_extra *drive = ptp_extra_of(&c->opts.extras, PTP_DRIVE_MODE);
    if (!c->opts.mirror_lock && !(drive && drive->value == PTP_MIRROR_UP)) return false;
    if (c->mirror_since_us && now_us - c->mirror_since_us < MIRROR_US) return false;
    c->mirror_since_us = now_us;
    c->raised++;
    return true;
}

uint16_t ptp_release(struct ptp_camera *c, int64_t now_us, enum ptp_wire_fault *fault)
{
    const struct ptp_faults *f = &c->opts.faults;
    if (now_us < c->shutter_until_us || ptp_lens_moves(c, now_us)) return PTP_DEVICE_BUSY;
    if (raises_mirror(c, now_us)) return PTP_OK;
    const int32_t asked = ++c->release_asked;
    if (asked == f->refuse_release) return PTP_GENERAL_ERROR;
    if (asked <= f->busy_release) return PTP_DEVICE_BUSY;
    if (asked == f->full_release || c->release_count >= c->opts.shots_left) return PTP_STORE_FULL;
    if (c->release_count == PTP_RELEASES_MOST) return PTP_GENERAL_ERROR;
    const int64_t exposure_us = (int64_t)c->exposure_time * 100;
    struct ptp_release *r = &c->releases[c->release_count++];
    const int64_t mirror_us = c->mirror_since_us ? now_us - c->mirror_since_us : 0;
    c->mirror_since_us = 0;
    *r = (struct ptp_release){now_us, now_us + exposure_us, c->lens_at, exposure_us, mirror_us};
    const int64_t ready_us = r->shut_us + c->opts.ready_us;
    c->shutter_until_us = ready_us;
    const int32_t release = c->release_count;
    const bool first = asked == f->complete_first, mute = asked == f->mute_release;
    if (first && !mute) add_event(c, EVENT_CAPTURE_COMPLETE, 0, r->shut_us);
    if (asked != f->lose_object) {
        const uint32_t raw = c->opts.raw ? add_object(c, release, FORMAT_RAW, r) : 0;
        const uint32_t jpeg = add_object(c, release, FORMAT_JPEG, r);
        if (raw && !mute) add_event(c, EVENT_OBJECT_ADDED, raw, ready_us);
        if (!mute) add_event(c, EVENT_OBJECT_ADDED, jpeg, ready_us);
    }
    if (!first && !mute) add_event(c, EVENT_CAPTURE_COMPLETE, 0, ready_us);
    if (asked == f->lie_release) return PTP_DEVICE_BUSY;
    if (asked == f->hang_release) *fault = PTP_WIRE_HANG;
    if (asked == f->drop_release) *fault = PTP_WIRE_DROP;
    return PTP_OK;
}

/* ---- the lens of the range-drive family ---- */

static uint16_t drive_lens(struct ptp_camera *c, uint32_t direction, uint32_t amount, int64_t now_us,
                           enum ptp_wire_fault *fault)
{
    const struct ptp_faults *f = &c->opts.faults;
    if (!c->live_view) return PTP_NO_LIVE_VIEW;
    if (ptp_lens_moves(c, now_us)) return PTP_DEVICE_BUSY;
    if (amount > 32767 || (direction != 1 && direction != 2)) return PTP_PARAMETER_NOT_SUPPORTED;
    const int32_t by = direction == 2 ? (int32_t)amount : -(int32_t)amount;
    const bool all = amount < SHORTEST_MOVE || ptp_lens_drive(c, by, now_us);
    c->drive_ended = amount < SHORTEST_MOVE         ? PTP_DRIVE_TOO_SHORT
                     : !all && !f->silent_end_stops ? PTP_DRIVE_AT_END
                                                    : PTP_OK;
    if (++c->move_asked == f->late_drive) {
        *fault = PTP_WIRE_LATE;
        return PTP_DEVICE_BUSY;
    }
    return PTP_OK;
}

static uint16_t live_view_picture(struct ptp_camera *c, struct ptp_out *o)
{
    if (!c->live_view) return PTP_NO_LIVE_VIEW;
    size_t count;
    uint8_t *jpeg = ptp_lens_view(c, &count);
    for (int i = 0; i < 384; i++)
        put_u8(o, 0); /* a header of the family's own stands before the picture */
    put_bytes(o, jpeg, count);
    free(jpeg);
    return PTP_OK;
}

/* Events that the host polls: a count, then code and parameter of each. */
static void polled_events(struct ptp_camera *c, int64_t now_us, struct ptp_out *o)
{
    struct ptp_event due[PTP_EVENTS_MOST];
    uint16_t n = 0;
    while (n < PTP_EVENTS_MOST && ptp_camera_event(c, now_us, &due[n]))
        n++;
    put_u16(o, n);
    for (uint16_t i = 0; i < n; i++) {
        put_u16(o, due[i].code);
        put_u32(o, due[i].param);
    }
}

/* How the last move ended is told once, when it has. */
static uint16_t device_ready(struct ptp_camera *c, int64_t now_us)
{
    if (ptp_lens_moves(c, now_us) || now_us < c->shutter_until_us) return PTP_DEVICE_BUSY;
    const uint16_t ended = c->drive_ended ? c->drive_ended : PTP_OK;
    c->drive_ended = PTP_OK;
    return ended;
}

static bool ask_drive_family(struct ptp_camera *c, const struct ptp_request *q, int64_t now_us,
                             struct ptp_answer *a)
{
    switch (q->code) {
    case CHECK_EVENT:
        a->has_data = true;
        polled_events(c, now_us, &a->data);
        a->code = PTP_OK;
        return true;
    case DEVICE_READY:
        a->code = device_ready(c, now_us);
        return true;
    case START_LIVE_VIEW:
    case END_LIVE_VIEW:
        c->live_view = q->code == START_LIVE_VIEW;
        a->code = PTP_OK;
        return true;
    case GET_LIVE_VIEW:
        a->has_data = true;
        a->code = live_view_picture(c, &a->data);
        return true;
    case DRIVE_LENS:
        a->code = drive_lens(c, q->param[0], q->param[1], now_us, &a->fault);
        return true;
    case CAPTURE_IN_MEDIA:
        a->code = ptp_release(c, now_us, &a->fault);
        return true;
    default:
        return false;
    }
}

/* ---- one operation ---- */

static void get_object(struct ptp_camera *c, const struct ptp_request *q, struct ptp_answer *a)
{
    struct ptp_object *b = ptp_object_of(c, q->param[0]);
    if (!b) {
        a->code = PTP_INVALID_HANDLE;
        return;
    }
    uint32_t from = 0, most = b->count;
    if (q->code == GET_PARTIAL_OBJECT) {
        from = q->param[1] < b->count ? q->param[1] : b->count;
        most = q->param[2] < b->count - from ? q->param[2] : b->count - from;
        a->param[0] = most;
        a->param_count = 1;
    }
    a->has_data = true;
    put_bytes(&a->data, b->bytes + from, most);
    const int32_t n = ++c->transfers;
    if (n == c->opts.faults.drop_transfer) a->fault = PTP_WIRE_DROP_HALFWAY;
    if (n == c->opts.faults.slow_transfer) a->fault = PTP_WIRE_GAP;
    a->code = PTP_OK;
}

static void get_object_info(struct ptp_camera *c, const struct ptp_request *q, struct ptp_answer *a)
{
    const struct ptp_object *b = ptp_object_of(c, q->param[0]);
    a->code = b ? PTP_OK : PTP_INVALID_HANDLE;
    a->has_data = b != NULL;
    if (b) object_info(c, b, &a->data);
}

static uint16_t delete_object(struct ptp_camera *c, uint32_t handle)
{
    struct ptp_object *b = ptp_object_of(c, handle);
    if (!b) return PTP_INVALID_HANDLE;
    free(b->bytes);
    b->bytes = NULL;
    return PTP_OK;
}

static void get_property(struct ptp_camera *c, const struct ptp_request *q, struct ptp_answer *a)
{
    struct form f;
    const uint16_t prop = (uint16_t)q->param[0];
    const struct ptp_extra *extra = ptp_extra_of(&c->opts.extras, prop);
    if (extra) {
        a->has_data = true;
        a->code = PTP_OK;
        put_uint(&a->data, extra->value, extra->width);
        return;
    }
    a->has_data = form_of(prop, &f);
    a->code = a->has_data ? PTP_OK : PTP_PROPERTY_NOT_SUPPORTED;
    if (a->has_data) put_value(c, prop, &f, &a->data);
}

static void ask_session(struct ptp_camera *c, const struct ptp_request *q, int64_t now_us,
                        struct ptp_answer *a)
{
    a->code = PTP_OK;
    switch (q->code) {
    case CLOSE_SESSION:
        c->session = false;
        c->live_view = false;
        return;
    case GET_STORAGE_IDS:
        a->has_data = true;
        put_u32(&a->data, 1);
        put_u32(&a->data, STORE);
        return;
    case GET_STORAGE_INFO:
        a->has_data = q->param[0] == STORE;
        a->code = a->has_data ? PTP_OK : PTP_INVALID_STORAGE;
        if (a->has_data) ptp_storage_info(c, &a->data);
        return;
    case GET_NUM_OBJECTS:
        a->param[0] = (uint32_t)c->object_count;
        a->param_count = 1;
        return;
    case GET_OBJECT_HANDLES:
        a->has_data = true;
        object_handles(c, &a->data);
        return;
    case GET_OBJECT_INFO:
        get_object_info(c, q, a);
        return;
    case GET_OBJECT:
    case GET_THUMB: /* as large as the picture, which is small */
    case GET_PARTIAL_OBJECT:
        get_object(c, q, a);
        return;
    case DELETE_OBJECT:
        a->code = delete_object(c, q->param[0]);
        return;
    case INITIATE_CAPTURE:
        a->code = ptp_release(c, now_us, &a->fault);
        return;
    case GET_PROP_DESC:
        a->has_data = true;
        a->code = prop_desc(c, (uint16_t)q->param[0], &a->data);
        return;
    case GET_PROP_VALUE:
        get_property(c, q, a);
        return;
    case SET_PROP_VALUE:
        a->code = set_prop(c, (uint16_t)q->param[0], q->data, q->data_count);
        return;
    default:
        if (!(c->opts.family == PTP_RANGE_DRIVE && ask_drive_family(c, q, now_us, a)) &&
            !(c->opts.family == PTP_NAMED_SIZES && ptp_named_do(c, q, now_us, a)))
            a->code = PTP_OPERATION_NOT_SUPPORTED;
    }
}

void ptp_camera_do(struct ptp_camera *c, const struct ptp_request *q, int64_t now_us, struct ptp_answer *a)
{
    const int32_t releases_before = c->release_count;
    if (ptp_harm_before(c, q, a)) return;
    if (q->code == GET_DEVICE_INFO) {
        a->has_data = true;
        device_info(c, &a->data);
        a->code = PTP_OK;
    } else if (q->code == OPEN_SESSION) {
        a->code = c->session ? PTP_SESSION_ALREADY_OPEN : PTP_OK;
        c->session = true;
        for (int32_t i = 0; i < c->object_count; i++)
            if (c->objects[i].for_host) delete_object(c, c->objects[i].handle);
        c->event_mode = c->listed = c->live_view = false; /* whoever comes tells anew what it wants */
        c->live_output = 0;
        c->records.count = 0;
    } else if (!c->session) {
        a->code = PTP_SESSION_NOT_OPEN;
    } else {
        ask_session(c, q, now_us, a);
    }
    if (a->code != PTP_OK && a->has_data && a->data.count == 0) a->has_data = false;
    ptp_harm_after(c, q, releases_before, a);
}

bool ptp_camera_event(struct ptp_camera *c, int64_t now_us, struct ptp_event *out)
{
    for (int32_t i = 0; i < c->event_count; i++) {
        if (c->events[i].due_us > now_us) continue;
        *out = c->events[i];
        memmove(&c->events[i], &c->events[i + 1], (size_t)(--c->event_count - i) * sizeof *c->events);
        if (!ptp_harm_hides(c, out)) return true;
        i = -1; /* not told: the next one */
    }
    return false;
}
