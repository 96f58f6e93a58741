/* canvas.h - a drawing surface that ends as a PNG in memory. Lengths are picture pixels; y grows downward.
 * Drawing calls cannot fail one by one: the surface remembers, and canvas_png says so. */
#ifndef STADDLE_REPORT_CANVAS_H
#define STADDLE_REPORT_CANVAS_H

#include <cairo.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/err.h"
#include "report/palette.h"

#define CANVAS_SIDE_MOST 20000

struct canvas {
    cairo_surface_t *surface;
    cairo_t *cr;
    int32_t w, h;
};

/* A finished picture; `bytes` owned: picture_clear. */
struct picture {
    uint8_t *bytes; /* PNG */
    size_t count;
    int32_t w, h;
};

int canvas_init(struct canvas *, int32_t w, int32_t h, struct rgb paper, struct err *);
void canvas_clear(struct canvas *);

/* The upper `height` rows, e.g. all: CANVAS_SIDE_MOST. */
int canvas_png(struct canvas *, int32_t height, struct picture *out, struct err *);
void picture_clear(struct picture *);

void canvas_ink(struct canvas *, struct rgb, double alpha);
void canvas_fill(struct canvas *, double x, double y, double w, double h, struct rgb);
void canvas_frame(struct canvas *, double x, double y, double w, double h, struct rgb, double width);
void canvas_font(struct canvas *, double size, bool bold);
/* Baseline at y; align 0 left, 0.5 centred on x, 1 right. */
void canvas_text(struct canvas *, double x, double y, double align, struct rgb, const char *text);
double canvas_text_width(struct canvas *, const char *text);

/* Pixels to write at once: 32 bit words 0x00RRGGBB, *stride words a row. Call canvas_touched afterwards. */
uint32_t *canvas_pixels(struct canvas *, int32_t *stride);
void canvas_touched(struct canvas *);
uint32_t canvas_word(struct rgb);

/* A gray picture drawn into a box, smoothly scaled. */
int canvas_gray(struct canvas *, const uint8_t *gray, int32_t gw, int32_t gh, double x, double y, double w,
                double h, struct err *);

#endif
