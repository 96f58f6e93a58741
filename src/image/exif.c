#include "image/exif.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#include "base/units.h"

#define DIRECTORIES_MOST 32 /* looked at in one file; a guess, above what cameras write */
#define SUBDIRECTORIES   16
#define STRIPS_MOST      65536

/* Tags: TIFF 6.0, TIFF/EP, Adobe DNG 1.4 and CIPA DC-008. */
enum tag {
    TAG_PHOTOMETRIC = 262,
    TAG_STRIP_OFFSETS = 273,
    TAG_ORIENTATION = 274,
    TAG_STRIP_BYTES = 279,
    TAG_DATE_TIME = 306,
    TAG_TILE_OFFSETS = 324,
    TAG_TILE_BYTES = 325,
    TAG_SUB_IFDS = 330,
    TAG_EXPOSURE_TIME = 0x829A,
    TAG_F_NUMBER = 0x829D,
    TAG_EXIF_IFD = 0x8769,
    TAG_SENSITIVITY = 0x8827,
    TAG_ISO_SPEED = 0x8833,
    TAG_DATE_ORIGINAL = 0x9003,
    TAG_DATE_DIGITIZED = 0x9004,
    TAG_OFFSET = 0x9010,
    TAG_OFFSET_ORIGINAL = 0x9011,
    TAG_OFFSET_DIGITIZED = 0x9012,
    TAG_SHUTTER_SPEED = 0x9201,
    TAG_APERTURE = 0x9202,
    TAG_SUBSEC = 0x9290,
    TAG_SUBSEC_ORIGINAL = 0x9291,
    TAG_SUBSEC_DIGITIZED = 0x9292,
    TAG_DNG_VERSION = 50706
};
enum { PHOTOMETRIC_CFA = 32803, PHOTOMETRIC_LINEAR_RAW = 34892 };
enum { ISO_SATURATED = 65535 }; /* PhotographicSensitivity is a SHORT; ISOSpeed tells more */

struct entry {
    uint16_t type;
    uint32_t count;
    const uint8_t *value;
};

static uint16_t get16(const struct tiff_view *v, const uint8_t *p)
{
    return (uint16_t)(v->big_endian ? p[0] << 8 | p[1] : p[1] << 8 | p[0]);
}

static uint32_t get32(const struct tiff_view *v, const uint8_t *p)
{
    return v->big_endian ? (uint32_t)p[0] << 24 | (uint32_t)p[1] << 16 | (uint32_t)p[2] << 8 | p[3]
                         : (uint32_t)p[3] << 24 | (uint32_t)p[2] << 16 | (uint32_t)p[1] << 8 | p[0];
}

bool tiff_view_open(const uint8_t *bytes, size_t count, struct tiff_view *out)
{
    if (count < 8 || bytes[0] != bytes[1] || (bytes[0] != 'I' && bytes[0] != 'M')) return false;
    struct tiff_view v = {bytes, count, bytes[0] == 'M', 0};
    uint16_t magic = get16(&v, bytes + 2);
    /* 42 is TIFF; the others are what raw files put there instead. */
    if (magic != 42 && magic != 0x55 && magic != 0x4F52 && magic != 0x5352) return false;
    v.first = get32(&v, bytes + 4);
    *out = v;
    return true;
}

static size_t entry_count(const struct tiff_view *v, uint32_t directory)
{
    if (directory < 8 || directory > v->count || v->count - directory < 2) return 0;
    size_t n = get16(v, v->bytes + directory);
    return n * 12 <= v->count - directory - 2 ? n : 0;
}

static size_t type_size(uint16_t type)
{
    static const uint8_t size[] = {0, 1, 1, 2, 4, 8, 1, 1, 2, 4, 8, 4, 8, 4};
    return type < sizeof size ? size[type] : 0;
}

static bool find(const struct tiff_view *v, uint32_t directory, uint16_t tag, struct entry *out)
{
    size_t n = entry_count(v, directory);
    for (size_t i = 0; i < n; i++) {
        const uint8_t *p = v->bytes + directory + 2 + i * 12;
        if (get16(v, p) != tag) continue;
        struct entry e = {get16(v, p + 2), get32(v, p + 4), p + 8};
        uint64_t size = (uint64_t)e.count * type_size(e.type);
        if (size == 0) return false;
        if (size > 4) {
            uint32_t at = get32(v, p + 8);
            if (at > v->count || size > v->count - at) return false;
            e.value = v->bytes + at;
        }
        *out = e;
        return true;
    }
    return false;
}

bool tiff_get_integer(const struct tiff_view *v, uint32_t directory, uint16_t tag, uint32_t index,
                      uint32_t *out)
{
    struct entry e;
    if (!find(v, directory, tag, &e) || index >= e.count) return false;
    switch (e.type) {
    case 1: /* BYTE */
    case 7: /* UNDEFINED */
        *out = e.value[index];
        return true;
    case 3: /* SHORT */
        *out = get16(v, e.value + 2 * (size_t)index);
        return true;
    case 4:  /* LONG */
    case 13: /* IFD */
        *out = get32(v, e.value + 4 * (size_t)index);
        return true;
    default:
        return false;
    }
}

bool tiff_get_real(const struct tiff_view *v, uint32_t directory, uint16_t tag, double *out)
{
    struct entry e;
    if (!find(v, directory, tag, &e)) return false;
    uint32_t whole;
    if (tiff_get_integer(v, directory, tag, 0, &whole)) {
        *out = whole;
        return true;
    }
    if (e.type != 5 && e.type != 10) return false;
    uint32_t over = get32(v, e.value), under = get32(v, e.value + 4);
    if (under == 0) return false;
    *out = e.type == 5 ? (double)over / under : (double)(int32_t)over / (int32_t)under;
    return true;
}

bool tiff_get_text(const struct tiff_view *v, uint32_t directory, uint16_t tag, char *out, size_t room)
{
    struct entry e;
    if (!find(v, directory, tag, &e) || e.type != 2) return false;
    size_t n = e.count < room - 1 ? e.count : room - 1;
    memcpy(out, e.value, n);
    out[n] = 0;
    return true;
}

bool tiff_get_bytes(const struct tiff_view *v, uint32_t directory, uint16_t tag, const uint8_t **bytes,
                    size_t *count)
{
    struct entry e;
    if (!find(v, directory, tag, &e) || (e.type != 1 && e.type != 7)) return false;
    *bytes = e.value;
    *count = e.count;
    return true;
}

uint32_t tiff_next_directory(const struct tiff_view *v, uint32_t directory)
{
    size_t n = entry_count(v, directory);
    size_t at = directory + 2 + n * 12;
    return n && v->count - at >= 4 ? get32(v, v->bytes + at) : 0;
}

static bool holds_sensor_data(const struct tiff_view *v, uint32_t directory, void *arg)
{
    uint32_t value;
    (void)arg;
    if (tiff_get_integer(v, directory, TAG_DNG_VERSION, 0, &value)) return true;
    return tiff_get_integer(v, directory, TAG_PHOTOMETRIC, 0, &value) &&
           (value == PHOTOMETRIC_CFA || value == PHOTOMETRIC_LINEAR_RAW);
}

bool tiff_any_directory(const struct tiff_view *v,
                        bool (*see)(const struct tiff_view *, uint32_t directory, void *arg), void *arg)
{
    uint32_t directory = v->first;
    for (int i = 0; i < DIRECTORIES_MOST && directory; i++) {
        if (see(v, directory, arg)) return true;
        uint32_t sub;
        for (uint32_t k = 0; k < SUBDIRECTORIES && tiff_get_integer(v, directory, TAG_SUB_IFDS, k, &sub); k++)
            if (see(v, sub, arg)) return true;
        directory = tiff_next_directory(v, directory);
    }
    return false;
}

bool tiff_is_raw(const struct tiff_view *v)
{
    if (get16(v, v->bytes + 2) != 42) return true;
    if (v->count >= 10 && !memcmp(v->bytes + 8, "CR", 2)) return true;
    return tiff_any_directory(v, holds_sensor_data, NULL);
}

static bool ends_outside(const struct tiff_view *v, uint32_t directory, uint16_t offsets, uint16_t sizes)
{
    uint32_t at, size;
    for (uint32_t i = 0; i < STRIPS_MOST && tiff_get_integer(v, directory, offsets, i, &at) &&
                         tiff_get_integer(v, directory, sizes, i, &size);
         i++)
        if ((uint64_t)at + size > v->count) return true;
    return false;
}

static bool is_cut(const struct tiff_view *v, uint32_t directory, void *arg)
{
    (void)arg;
    return ends_outside(v, directory, TAG_STRIP_OFFSETS, TAG_STRIP_BYTES) ||
           ends_outside(v, directory, TAG_TILE_OFFSETS, TAG_TILE_BYTES);
}

bool tiff_is_whole(const struct tiff_view *v)
{
    return !tiff_any_directory(v, is_cut, NULL);
}

/* "YYYY:MM:DD HH:MM:SS" as microseconds since 1970 if it were UTC. */
static bool parse_time(const char *text, int64_t *out)
{
    struct tm t = {0};
    int used = 0;
    if (sscanf(text, "%4d:%2d:%2d %2d:%2d:%2d%n", &t.tm_year, &t.tm_mon, &t.tm_mday, &t.tm_hour, &t.tm_min,
               &t.tm_sec, &used) != 6 ||
        used != 19)
        return false;
    if (t.tm_year < 1900 || t.tm_mon < 1 || t.tm_mon > 12 || t.tm_mday < 1 || t.tm_mday > 31 ||
        t.tm_hour < 0 || t.tm_hour > 23 || t.tm_min < 0 || t.tm_min > 59 || t.tm_sec < 0 || t.tm_sec > 60)
        return false;
    t.tm_year -= 1900;
    t.tm_mon -= 1;
    *out = (int64_t)timegm(&t) * US_PER_S;
    return true;
}

/* Digits behind the point: "05" is 0.05 s. */
static int64_t parse_subsec_us(const char *text)
{
    int64_t us = 0, unit = US_PER_S / 10;
    for (; *text >= '0' && *text <= '9' && unit; text++, unit /= 10)
        us += (*text - '0') * unit;
    return us;
}

/* "+01:30" */
static bool parse_offset_us(const char *text, int64_t *out)
{
    int hours, minutes;
    if (text[0] != '+' && text[0] != '-') return false;
    if (sscanf(text + 1, "%2d:%2d", &hours, &minutes) != 2 || hours < 0 || hours > 14 || minutes < 0 ||
        minutes > 59)
        return false;
    int64_t us = (int64_t)(hours * 60 + minutes) * 60 * US_PER_S;
    *out = text[0] == '-' ? -us : us;
    return true;
}

static void read_time(const struct tiff_view *v, uint32_t exif, struct image_facts *facts)
{
    const struct {
        uint32_t directory;
        uint16_t date, subsec, offset;
    } source[] = {
        {exif, TAG_DATE_ORIGINAL, TAG_SUBSEC_ORIGINAL, TAG_OFFSET_ORIGINAL},
        {exif, TAG_DATE_DIGITIZED, TAG_SUBSEC_DIGITIZED, TAG_OFFSET_DIGITIZED},
        {v->first, TAG_DATE_TIME, TAG_SUBSEC, TAG_OFFSET},
    };
    for (size_t i = 0; i < sizeof source / sizeof *source; i++) {
        char text[32];
        int64_t at, offset;
        if (!tiff_get_text(v, source[i].directory, source[i].date, text, sizeof text) ||
            !parse_time(text, &at))
            continue;
        if (tiff_get_text(v, exif, source[i].subsec, text, sizeof text)) at += parse_subsec_us(text);
        facts->captured_zone_known =
            tiff_get_text(v, exif, source[i].offset, text, sizeof text) && parse_offset_us(text, &offset);
        facts->captured_wall_us = facts->captured_zone_known ? at - offset : at;
        return;
    }
}

static void read_exposure(const struct tiff_view *v, uint32_t exif, struct image_facts *facts)
{
    double seconds, apex;
    if (!tiff_get_real(v, exif, TAG_EXPOSURE_TIME, &seconds))
        seconds = tiff_get_real(v, exif, TAG_SHUTTER_SPEED, &apex) && fabs(apex) < 30 ? exp2(-apex) : 0;
    if (seconds > 0 && seconds < 1e6) facts->exposure_us = us_from_s(seconds);
    double f;
    if (!tiff_get_real(v, exif, TAG_F_NUMBER, &f) || !(f > 0))
        f = tiff_get_real(v, exif, TAG_APERTURE, &apex) && fabs(apex) < 30 ? exp2(apex / 2) : 0;
    if (f > 0) facts->f_number = f;
    uint32_t iso, more;
    if (!tiff_get_integer(v, exif, TAG_SENSITIVITY, 0, &iso)) iso = 0;
    if ((iso == 0 || iso == ISO_SATURATED) && tiff_get_integer(v, exif, TAG_ISO_SPEED, 0, &more) &&
        more > iso)
        iso = more;
    facts->iso = iso;
}

void exif_read_facts(const struct tiff_view *v, struct image_facts *facts)
{
    uint32_t exif, orientation;
    if (tiff_get_integer(v, v->first, TAG_ORIENTATION, 0, &orientation) && orientation >= 1 &&
        orientation <= 8)
        facts->orientation = (int)orientation;
    if (!tiff_get_integer(v, v->first, TAG_EXIF_IFD, 0, &exif)) exif = 0;
    read_time(v, exif, facts);
    read_exposure(v, exif ? exif : v->first, facts);
}
