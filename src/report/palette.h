/* palette.h - the colours of pictures and page, chosen in OKLab, where equal distances look equal.
 *
 * The frame scale runs from pale brass (first frame) over sea green to ink blue (last frame). Its lightness
 * falls evenly, so it reads in gray, in print and to every kind of colour blindness; what is wrong is never
 * told by colour alone (hatching and words say it too). source  B. Ottosson, "A perceptual color space for
 * image processing", 2020 (the two matrices; from memory) */
#ifndef STADDLE_REPORT_PALETTE_H
#define STADDLE_REPORT_PALETTE_H

struct rgb {
    double r, g, b; /* sRGB as coded, 0..1 */
};

struct lab {
    double l, a, b; /* OKLab: l 0..1 */
};

#define RGB_HEX(hex)                                                                                         \
    ((struct rgb){((hex) >> 16 & 255) / 255.0, ((hex) >> 8 & 255) / 255.0, ((hex)&255) / 255.0})

#define PALETTE_PAPER   RGB_HEX(0xF6F4EE)
#define PALETTE_INK     RGB_HEX(0x22282D)
#define PALETTE_QUIET   RGB_HEX(0x66707A)
#define PALETTE_LINE    RGB_HEX(0xD5D1C6)
#define PALETTE_ALARM   RGB_HEX(0xC2185B)
#define PALETTE_CAREFUL RGB_HEX(0x8A5A00)

struct lab palette_lab(struct rgb);
struct rgb palette_rgb(struct lab); /* clamped to what a screen shows */

/* t 0..1 along the frame scale; outside it is clamped. */
struct lab palette_scale_lab(double t);
struct rgb palette_scale(double t);

/* Black or white ink, whichever reads better on this. */
struct rgb palette_ink_on(struct rgb);

#endif
