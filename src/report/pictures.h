/* pictures.h - what check shows: coverage, contact sheet, weak places. Structs in, PNG in memory out; pure.
 *
 * Numbers in pictures are slice numbers (from 1), as in the file names. Whatever a colour says, a word, a
 * number or a hatching says too. */
#ifndef STADDLE_REPORT_PICTURES_H
#define STADDLE_REPORT_PICTURES_H

#include "base/err.h"
#include "report/paper.h"
#include "staddle/measure.h"
#include "staddle/verdict.h"

struct pictures_of {
    const struct verdict *verdict;
    const struct frame_row *rows;         /* verdict->frames of them */
    const struct frame_measure *measures; /* as many; thumbnails are drawn from here */
    struct measure_source source;         /* of those that measures leave out */
};

#define COVERAGE_WIDTH 1200 /* px, of the map and the contact sheet */
#define PLACE_WIDTH    480  /* px of the frame shown around a weak place, at 100 % */
#define PLACE_HEIGHT   360

/* Over the subject as the first frame shows it: in which slice each tile is sharp, where there is no texture,
 * what is sharp in no slice and why. `bare` is the map alone (the page explains it itself), `explained` has a
 * strip below that says what is what. */
int pictures_coverage(const struct pictures_of *, struct drawing *bare, struct drawing *explained,
                      struct err *);

/* Every frame small, with its number and words; above CONTACT_MOST only every n-th and those with something
 * to say. */
#define CONTACT_MOST 400
int pictures_contact(const struct pictures_of *, struct drawing *out, struct err *);

/* The surroundings of weak place `which` (0-based) at 100 %, cut from its frame's pixels: 8 bit RGB, row by
 * row. */
int pictures_place(const struct pictures_of *, int which, const uint8_t *rgb, int32_t width_px,
                   int32_t height_px, struct drawing *out, struct err *);

/* A frame's measure with its thumbnail; clear `room`, which may hold it, when done. */
int pictures_bring(const struct pictures_of *, int32_t frame, struct frame_measure *room,
                   const struct frame_measure **out, struct err *);

/* Words for one frame, e.g. "first useful, blurred"; empty when there is nothing to say. */
void pictures_frame_words(const struct pictures_of *, int32_t frame, char *out, size_t room);

/* 0..1 along the colour scale: the useful frames from first to last. */
double pictures_scale_at(const struct verdict *, double frame);

/* How a point of the first frame (px from the centre) lies in frame i: scale * p + (dx, dy). */
struct placing {
    double scale, dx_px, dy_px;
};
/* One per frame, from the shifts between neighbours that can be trusted. */
void pictures_placings(const struct frame_measure *measures, int32_t count, struct placing *out);

#endif
