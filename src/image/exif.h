/* exif.h - reads the directories of TIFF (TIFF 6.0) and with them Exif (CIPA DC-008), from memory, whatever
 * they hold. Every offset and count is checked against the buffer; loops of directories end. Nothing is
 * allocated. */
#ifndef STADDLE_IMAGE_EXIF_H
#define STADDLE_IMAGE_EXIF_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "image/decode.h"

struct tiff_view {
    const uint8_t *bytes;
    size_t count;
    bool big_endian;
    uint32_t first; /* offset of the first directory */
};

/* False when the bytes do not start like a TIFF (or one of its raw relatives). */
bool tiff_view_open(const uint8_t *bytes, size_t count, struct tiff_view *out);

/* The value of a BYTE, SHORT, LONG (or signed) entry, the index-th of several. False when absent or damaged.
 */
bool tiff_get_integer(const struct tiff_view *, uint32_t directory, uint16_t tag, uint32_t index,
                      uint32_t *out);

/* A RATIONAL or SRATIONAL with a denominator, or an integer. */
bool tiff_get_real(const struct tiff_view *, uint32_t directory, uint16_t tag, double *out);

/* ASCII, always ended; false when absent. Longer text is cut. */
bool tiff_get_text(const struct tiff_view *, uint32_t directory, uint16_t tag, char *out, size_t room);

/* The directory after this one, 0 at the end. */
uint32_t tiff_next_directory(const struct tiff_view *, uint32_t directory);

/* True when some directory (also a sub-directory) holds sensor data: CFA or linear raw, or the file says it
 * is a DNG. */
bool tiff_is_raw(const struct tiff_view *);

/* False when the pixels of some directory (strips or tiles) reach beyond the end of the file. */
bool tiff_is_whole(const struct tiff_view *);

/* Calls `see` with each directory and sub-directory until it returns true; that is returned. */
bool tiff_any_directory(const struct tiff_view *,
                        bool (*see)(const struct tiff_view *, uint32_t directory, void *arg), void *arg);

/* The bytes of an UNDEFINED or BYTE entry. */
bool tiff_get_bytes(const struct tiff_view *, uint32_t directory, uint16_t tag, const uint8_t **bytes,
                    size_t *count);

/* Orientation, time, exposure, f-number, ISO into `facts`; the rest of it stays. */
void exif_read_facts(const struct tiff_view *, struct image_facts *facts);

#endif
