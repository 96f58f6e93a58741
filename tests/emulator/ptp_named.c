/* ptp_named.c - the family of vendor extension 0x0B: settings are told as records that the host polls for,
 * an object as a record of its own, and the lens moves by three named sizes either way, silent at its ends.
 * Codes from what is publicly known of the family; from memory. */
#include <stdlib.h>
#include <string.h>

#include "tests/emulator/ptp_inside.h"

enum {
    GET_STORAGE_IDS = 0x9101,
    GET_STORAGE_INFO = 0x9102,
    GET_DEVICE_INFO = 0x9108,
    SET_PROP_VALUE = 0x9110,
    SET_REMOTE_MODE = 0x9114,
    SET_EVENT_MODE,
    GET_EVENT,
    TRANSFER_COMPLETE,
    DISK_CAPACITY = 0x911A,
    LOCK_BUTTONS,
    UNLOCK_BUTTONS,
    KEEP_ON,
    BULB_START = 0x9125,
    BULB_END,
    REQUEST_PROP_VALUE,
    RELEASE_ON,
    RELEASE_OFF,
    GET_LIVE_VIEW = 0x9153,
    FOCUS,
    DRIVE_LENS,
    CANCEL_FOCUS = 0x9160,

    RECORD_OBJECT_ON_CARD = 0xC181,
    RECORD_OBJECT_FOR_HOST = 0xC186,
    RECORD_VALUE = 0xC189,
    RECORD_CHOICES = 0xC18A,
    RECORD_STATUS = 0xC18B,

    APERTURE = 0xD101,
    SHUTTER = 0xD102,
    ISO = 0xD103,
    EXPOSURE_MODE = 0xD105,
    DRIVE_MODE = 0xD106,
    FOCUS_MODE = 0xD108,
    WHITE_BALANCE = 0xD109,
    BATTERY = 0xD111,
    SHOTS_LEFT = 0xD11B,
    DESTINATION = 0xD11C,
    LIVE_OUTPUT = 0xD1B0,
    LIVE_MODE = 0xD1B1,

    TO_CARD = 2,
    TO_HOST = 4,
    OUTPUT_HOST = 2,

    EVENT_OBJECT_ADDED = 0x4002, /* of ptp_camera.c, within */
    EVENT_CAPTURE_COMPLETE = 0x400D,
    FORMAT_JPEG = 0x3801
};

const uint16_t ptp_named_operations[] = {
    GET_STORAGE_IDS, GET_STORAGE_INFO,  GET_DEVICE_INFO,    SET_PROP_VALUE, SET_REMOTE_MODE, SET_EVENT_MODE,
    GET_EVENT,       TRANSFER_COMPLETE, DISK_CAPACITY,      LOCK_BUTTONS,   UNLOCK_BUTTONS,  KEEP_ON,
    BULB_START,      BULB_END,          REQUEST_PROP_VALUE, RELEASE_ON,     RELEASE_OFF,     GET_LIVE_VIEW,
    FOCUS,           DRIVE_LENS,        CANCEL_FOCUS};
const uint32_t ptp_named_operation_count = sizeof ptp_named_operations / sizeof *ptp_named_operations;

/* ---- settings: each value has a code of the family's own; eighths of a stop (from memory) ---- */

struct pair {
    uint32_t code, value;
};

static const struct pair f_numbers[] = {{0x20, 280}, {0x23, 320},  {0x25, 350},  {0x28, 400}, {0x2B, 450},
                                        {0x2D, 500}, {0x30, 560},  {0x33, 630},  {0x35, 710}, {0x38, 800},
                                        {0x3B, 900}, {0x3D, 1000}, {0x40, 1100}, {0x48, 1600}};
static const struct pair times[] = {
    {0xA0, 1},    {0x98, 2},     {0x8D, 5},     {0x88, 10},    {0x80, 20},    {0x78, 40},
    {0x70, 80},   {0x68, 166},   {0x60, 333},   {0x58, 666},   {0x50, 1250},  {0x48, 2500},
    {0x40, 5000}, {0x38, 10000}, {0x30, 20000}, {0x28, 40000}, {0x20, 80000}, {0x0C, PTP_BULB}};
static const struct pair isos[] = {{0x48, 100}, {0x4B, 125}, {0x4D, 160}, {0x50, 200},
                                   {0x58, 400}, {0x60, 800}, {0x68, 1600}};
#define COUNT(a) (sizeof(a) / sizeof *(a))

static uint32_t code_of(const struct pair *list, size_t count, uint32_t value)
{
    for (size_t i = 0; i < count; i++)
        if (list[i].value == value) return list[i].code;
    return list[0].code;
}

static bool value_of(const struct pair *list, size_t count, uint32_t code, uint32_t *value_out)
{
    for (size_t i = 0; i < count; i++)
        if (list[i].code == code) {
            *value_out = list[i].value;
            return true;
        }
    return false;
}

/* ---- records ---- */

static void put_value_record(struct ptp_out *o, uint32_t prop, uint32_t value)
{
    put_u32(o, 16);
    put_u32(o, RECORD_VALUE);
    put_u32(o, prop);
    put_u32(o, value);
}

static void put_choice_record(struct ptp_out *o, uint32_t prop, const uint32_t *codes, size_t count)
{
    put_u32(o, 20 + 4 * (uint32_t)count);
    put_u32(o, RECORD_CHOICES);
    put_u32(o, prop);
    put_u32(o, 3); /* a list of numbers */
    put_u32(o, (uint32_t)count);
    for (size_t i = 0; i < count; i++)
        put_u32(o, codes[i]);
}

static void put_pairs(struct ptp_out *o, uint32_t prop, const struct pair *list, size_t count, uint32_t value)
{
    uint32_t codes[32];
    for (size_t i = 0; i < count; i++)
        codes[i] = list[i].code;
    put_value_record(o, prop, code_of(list, count, value));
    put_choice_record(o, prop, codes, count);
}

static void put_all_settings(struct ptp_camera *c)
{
    static const uint32_t destinations[] = {TO_CARD, TO_HOST}, outputs[] = {0, 1, 2}, on_off[] = {0, 1},
                          focus_modes[] = {0, 1, 2, 3}, drives[] = {0, 1, 0x10}, balances[] = {0, 1, 2, 3};
    struct ptp_out *o = &c->records;
    put_pairs(o, APERTURE, f_numbers, COUNT(f_numbers), c->f_number);
    put_pairs(o, SHUTTER, times, COUNT(times), c->exposure_time);
    put_pairs(o, ISO, isos, COUNT(isos), c->iso);
    put_value_record(o, EXPOSURE_MODE, 3); /* by hand */
    put_value_record(o, DRIVE_MODE, c->drive_mode);
    put_choice_record(o, DRIVE_MODE, drives, COUNT(drives));
    put_value_record(o, FOCUS_MODE, c->named_focus);
    put_choice_record(o, FOCUS_MODE, focus_modes, COUNT(focus_modes));
    put_value_record(o, WHITE_BALANCE, 1);
    put_choice_record(o, WHITE_BALANCE, balances, COUNT(balances));
    put_value_record(o, BATTERY, c->opts.battery > 50 ? 2 : c->opts.battery > 10 ? 1 : 0);
    put_value_record(o, SHOTS_LEFT, (uint32_t)(c->opts.shots_left - c->release_count));
    put_value_record(o, DESTINATION, c->to_host ? TO_HOST : TO_CARD);
    put_choice_record(o, DESTINATION, destinations, COUNT(destinations));
    put_value_record(o, LIVE_OUTPUT, c->live_output);
    put_choice_record(o, LIVE_OUTPUT, outputs, COUNT(outputs));
    put_value_record(o, LIVE_MODE, c->live_mode);
    put_choice_record(o, LIVE_MODE, on_off, COUNT(on_off));
    for (uint32_t i = 0; i < c->opts.extras.count; i++) {
        const struct ptp_extra *x = &c->opts.extras.rows[i];
        put_value_record(o, x->code, x->value);
        if (x->choice_count) put_choice_record(o, x->code, x->choices, x->choice_count);
    }
}

static void put_name(struct ptp_out *o, const char *name)
{
    char field[16] = "";
    memcpy(field, name, strlen(name));
    put_bytes(o, field, sizeof field);
}

static void put_object_record(struct ptp_camera *c, uint32_t handle, struct ptp_out *o)
{
    const struct ptp_object *b = ptp_object_of(c, handle);
    if (!b) return;
    if (c->to_host) {
        put_u32(o, 0x1C + 16);
        put_u32(o, RECORD_OBJECT_FOR_HOST);
        put_u32(o, handle);
        put_u32(o, FORMAT_JPEG); /* also a raw: not to be relied on */
        put_u32(o, 0);
        put_u32(o, b->count);
        put_u32(o, 0);
    } else {
        put_u32(o, 0x28 + 16);
        put_u32(o, RECORD_OBJECT_ON_CARD);
        put_u32(o, handle);
        put_u32(o, PTP_STORE);
        put_u32(o, b->format);
        put_u32(o, 0);
        put_u32(o, 0);
        put_u32(o, b->count);
        put_u32(o, 0); /* in no folder */
        put_u32(o, 0);
    }
    put_name(o, b->name);
}

static void put_status_record(struct ptp_out *o, uint32_t status)
{
    put_u32(o, 12);
    put_u32(o, RECORD_STATUS);
    put_u32(o, status);
}

static void poll_events(struct ptp_camera *c, int64_t now_us, struct ptp_out *o)
{
    struct ptp_event e;
    if (c->event_mode && !c->listed) {
        put_all_settings(c);
        c->listed = true;
    }
    put_bytes(o, c->records.bytes, c->records.count);
    c->records.count = 0;
    while (ptp_camera_event(c, now_us, &e)) {
        if (e.code == EVENT_OBJECT_ADDED) put_object_record(c, e.param, o);
        if (e.code != EVENT_CAPTURE_COMPLETE) continue;
        put_value_record(o, SHOTS_LEFT, (uint32_t)(c->opts.shots_left - c->release_count));
        put_status_record(o, 0);
    }
    put_u32(o, 8);
    put_u32(o, 0);
}

/* ---- operations ---- */

static uint16_t set_prop(struct ptp_camera *c, const struct ptp_request *q)
{
    struct ptp_in in = {q->data, q->data_count, false};
    uint32_t code, value;
    get_u32(&in); /* how long it is */
    const uint32_t prop = get_u32(&in);
    code = get_u32(&in);
    if (in.broken) return PTP_INVALID_VALUE;
    struct ptp_extra *extra = ptp_extra_of(&c->opts.extras, (uint16_t)prop);
    if (extra) {
        if (!ptp_extra_set(extra, code)) return PTP_INVALID_VALUE;
        put_value_record(&c->records, prop, code);
        return PTP_OK;
    }
    switch (prop) {
    case APERTURE:
        if (!value_of(f_numbers, COUNT(f_numbers), code, &value)) return PTP_INVALID_VALUE;
        c->f_number = (uint16_t)value;
        break;
    case SHUTTER:
        if (!value_of(times, COUNT(times), code, &value)) return PTP_INVALID_VALUE;
        c->exposure_time = value;
        break;
    case ISO:
        if (!value_of(isos, COUNT(isos), code, &value)) return PTP_INVALID_VALUE;
        c->iso = (uint16_t)value;
        break;
    case DESTINATION:
        c->to_host = code == TO_HOST;
        break;
    case LIVE_OUTPUT:
        c->live_output = (uint16_t)code;
        c->live_view = code & OUTPUT_HOST;
        break;
    case LIVE_MODE:
        c->live_mode = (uint16_t)code;
        break;
    case FOCUS_MODE:
        c->named_focus = (uint16_t)code;
        break;
    case DRIVE_MODE:
        c->drive_mode = (uint16_t)code;
        break;
    default:
        return PTP_PROPERTY_NOT_SUPPORTED;
    }
    put_value_record(&c->records, prop, code);
    return PTP_OK;
}

/* The shutter's button: half way down (1) for the focus, all the way (2), or both at once (3). */
static uint16_t press(struct ptp_camera *c, uint32_t how_far, int64_t now_us, enum ptp_wire_fault *fault)
{
    if (!(how_far & 2)) return PTP_OK;
    const int32_t before = c->release_count;
    const uint16_t code = ptp_release(c, now_us, fault);
    if (c->release_count > before) put_status_record(&c->records, 1);
    return code;
}

/* It was open since then; what was exposed is stored now. */
static uint16_t end_bulb(struct ptp_camera *c, int64_t now_us, enum ptp_wire_fault *fault)
{
    const int64_t since_us = c->bulb_since_us;
    c->bulb_since_us = 0;
    c->exposure_time = (uint32_t)((now_us - since_us) / 100);
    const uint16_t code = press(c, 2, since_us, fault);
    c->exposure_time = PTP_BULB;
    return code;
}

static uint16_t drive(struct ptp_camera *c, uint32_t size, int64_t now_us, enum ptp_wire_fault *fault)
{
    const uint32_t n = size & 0x7FFF;
    if (!c->live_view || n < 1 || n > 3) return PTP_GENERAL_ERROR;
    if (ptp_lens_moves(c, now_us)) return PTP_DEVICE_BUSY;
    ptp_lens_drive(c, size & 0x8000 ? c->opts.sizes[n - 1] : -c->opts.sizes[n - 1], now_us);
    if (++c->move_asked != c->opts.faults.late_drive) return PTP_OK; /* also at its end */
    *fault = PTP_WIRE_LATE;
    return PTP_DEVICE_BUSY;
}

static uint16_t live_view(struct ptp_camera *c, struct ptp_out *o)
{
    size_t count;
    if (!c->live_view) return PTP_NOT_READY;
    uint8_t *jpeg = ptp_lens_view(c, &count);
    put_u32(o, (uint32_t)count + 8);
    put_u32(o, 1); /* a JPEG */
    put_bytes(o, jpeg, count);
    free(jpeg);
    return PTP_OK;
}

static void device_info(struct ptp_out *o)
{
    static const uint32_t props[] = {APERTURE, SHUTTER, ISO, FOCUS_MODE, DESTINATION, LIVE_OUTPUT, LIVE_MODE};
    static const uint32_t events[] = {RECORD_OBJECT_ON_CARD, RECORD_OBJECT_FOR_HOST, RECORD_VALUE,
                                      RECORD_CHOICES, RECORD_STATUS};
    put_u32(o, 4 * (uint32_t)(COUNT(props) + COUNT(events)) + 16);
    put_u32(o, COUNT(events));
    for (size_t i = 0; i < COUNT(events); i++)
        put_u32(o, events[i]);
    put_u32(o, COUNT(props));
    for (size_t i = 0; i < COUNT(props); i++)
        put_u32(o, props[i]);
    put_u32(o, 0);
}

bool ptp_named_do(struct ptp_camera *c, const struct ptp_request *q, int64_t now_us, struct ptp_answer *a)
{
    a->code = PTP_OK;
    switch (q->code) {
    case GET_STORAGE_IDS:
        a->has_data = true;
        put_u32(&a->data, 1);
        put_u32(&a->data, PTP_STORE);
        return true;
    case GET_STORAGE_INFO:
        a->has_data = true;
        ptp_storage_info(c, &a->data);
        return true;
    case GET_DEVICE_INFO:
        a->has_data = true;
        device_info(&a->data);
        return true;
    case SET_PROP_VALUE:
        a->code = set_prop(c, q);
        return true;
    case SET_EVENT_MODE:
        c->event_mode = q->param[0] != 0;
        c->listed = c->listed && c->event_mode;
        return true;
    case GET_EVENT:
        a->has_data = true;
        poll_events(c, now_us, &a->data);
        return true;
    case RELEASE_ON:
        a->code = press(c, q->param[0], now_us, &a->fault);
        return true;
    case GET_LIVE_VIEW:
        a->has_data = true;
        a->code = live_view(c, &a->data);
        return true;
    case DRIVE_LENS:
        a->code = drive(c, q->param[0], now_us, &a->fault);
        return true;
    case BULB_START:
        if (c->exposure_time != PTP_BULB || c->bulb_since_us) a->code = PTP_GENERAL_ERROR;
        if (a->code == PTP_OK) c->bulb_since_us = now_us;
        return true;
    case BULB_END:
        if (c->bulb_since_us) a->code = end_bulb(c, now_us, &a->fault);
        return true;
    case SET_REMOTE_MODE:
    case TRANSFER_COMPLETE:
    case DISK_CAPACITY:
    case LOCK_BUTTONS:
    case UNLOCK_BUTTONS:
    case KEEP_ON:
    case REQUEST_PROP_VALUE:
    case RELEASE_OFF:
    case FOCUS:
    case CANCEL_FOCUS:
        return true;
    default:
        return false;
    }
}
