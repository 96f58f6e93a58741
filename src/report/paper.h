/* paper.h - a drawing surface that ends as a PNG in memory. Lengths are picture pixels; y grows downward.
 * Drawing calls cannot fail one by one: the surface remembers, and paper_png says so. */
#ifndef STADDLE_REPORT_PAPER_H
#define STADDLE_REPORT_PAPER_H

#include <cairo.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/err.h"
#include "report/palette.h"

#define PAPER_SIDE_MOST 20000

struct paper {
    cairo_surface_t *surface;
    cairo_t *cr;
    int32_t w, h;
};

/* A finished picture; `bytes` owned: drawing_clear. */
struct drawing {
    uint8_t *bytes; /* PNG */
    size_t count;
    int32_t w, h;
};

int paper_init(struct paper *, int32_t w, int32_t h, struct rgb ground, struct err *);
void paper_clear(struct paper *);

/* The upper `height` rows, e.g. all: PAPER_SIDE_MOST. */
int paper_png(struct paper *, int32_t height, struct drawing *out, struct err *);
void drawing_clear(struct drawing *);

void paper_ink(struct paper *, struct rgb, double alpha);
void paper_fill(struct paper *, double x, double y, double w, double h, struct rgb);
void paper_frame(struct paper *, double x, double y, double w, double h, struct rgb, double width);
void paper_font(struct paper *, double size, bool bold);
/* Baseline at y; align 0 left, 0.5 centred on x, 1 right. */
void paper_text(struct paper *, double x, double y, double align, struct rgb, const char *text);
double paper_text_width(struct paper *, const char *text);

/* Pixels to write at once: 32 bit words 0x00RRGGBB, *stride words a row. Call paper_touched afterwards. */
uint32_t *paper_pixels(struct paper *, int32_t *stride);
void paper_touched(struct paper *);
uint32_t paper_word(struct rgb);

/* A gray picture drawn into a box, smoothly scaled. */
int paper_gray(struct paper *, const uint8_t *gray, int32_t gw, int32_t gh, double x, double y, double w,
               double h, struct err *);

#endif
