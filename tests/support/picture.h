/* picture.h - picture files made in memory by the reference libraries, and by hand where there is none, with
 * Exif by hand (TIFF 6.0, CIPA DC-008, Adobe DNG 1.4). */
#ifndef TESTS_SUPPORT_PICTURE_H
#define TESTS_SUPPORT_PICTURE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct bytes {
    uint8_t *p; /* free() */
    size_t n;
};

struct exif_says {
    int orientation;      /* 0: left out, as everything else that is 0 or NULL */
    const char *date;     /* DateTimeOriginal, "2001:01:01 20:00:00" */
    const char *subsec;   /* "05" */
    const char *offset;   /* "+01:00" */
    uint32_t exposure[2]; /* rational, s */
    uint32_t f_number[2];
    uint16_t iso;
    bool big_endian;
};

/* A TIFF with the Exif directory and nothing else. */
struct bytes exif_make(const struct exif_says *);

struct jpeg_how {
    int quality; /* 0: 90 */
    int h, v;    /* sampling factors of luma; 0: 2, 2 */
    bool gray, progressive;
    struct bytes exif; /* p NULL: none */
};
/* `rgb`: width * height * 3 */
struct bytes jpeg_make(const uint8_t *rgb, int width, int height, const struct jpeg_how *);

struct png_how {
    int bits; /* 8 or 16 */
    bool gray, interlaced, alpha;
    struct bytes exif;
};
struct bytes png_make(const uint8_t *rgb, int width, int height, const struct png_how *);

struct tiff_how {
    int bits;        /* 8 or 16 */
    int compression; /* 1 none, 5 LZW, 8 deflate */
    int orientation;
    bool gray, big_endian;
};
struct bytes tiff_make(const uint8_t *rgb, int width, int height, const struct tiff_how *);

/* A minimal raw: 16 bit, RGGB, black level 0, white level 65535, neutral colours; `preview` is put into the
 * first directory as a reduced JPEG of that size, the raw then goes into a sub-directory. */
struct bytes dng_make(const uint16_t *cfa, int width, int height, const struct exif_says *,
                      struct bytes preview, int preview_width, int preview_height);

#endif
