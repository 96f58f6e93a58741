/* pictures.h - what check shows: coverage, contact sheet, weak places. Structs in, PNG in memory out; pure.
 *
 * All of it is as a viewer shows the frames (verdict.h): measures are given so (shown.h), and pixels of a
 * frame, which are given as stored, are turned when they are drawn.
 *
 * Numbers in pictures are slice numbers (from 1), as in the file names. Whatever a colour says, a word, a
 * number or a hatching says too. */
#ifndef STADDLE_REPORT_PICTURES_H
#define STADDLE_REPORT_PICTURES_H

#include "base/err.h"
#include "image/decode.h"
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

/* How sharp each depth of the subject is in each frame. */
int pictures_ridge(const struct pictures_of *, struct drawing *out, struct err *);

/* Every frame small, with its number and words; above CONTACT_MOST only every n-th and those with something
 * to say. */
#define CONTACT_MOST 400
int pictures_contact(const struct pictures_of *, struct drawing *out, struct err *);

/* The surroundings of weak place `which` (0-based) at 100 %, cut from its frame's pixels: 8 bit RGB, row by
 * row, as stored. */
int pictures_place(const struct pictures_of *, int which, const uint8_t *rgb, int32_t width_px,
                   int32_t height_px, struct drawing *out, struct err *);

/* The frame that is sharpest on most of the picture, and on how many tiles. */
int32_t pictures_richest(const struct verdict *, int32_t *tiles_out);

/* That frame as it was shot, beside it what it gives the stack: where another one is sharper it is paled.
 * `small`: its pixels, FRAME_WIDTH across at most, as stored. */
#define FRAME_WIDTH 592
int pictures_frame(const struct pictures_of *, int32_t frame, int32_t tiles, const struct image_rgb *small,
                   struct drawing *out, struct err *);

/* A frame before and after it was taken again, at 100 %, where the kept one shows most detail. `reason`: why
 * it was. E_INPUT when the two have not one size. */
int pictures_retake(const struct pictures_of *, int32_t frame, const char *reason,
                    const struct image_rgb *before, const struct image_rgb *after, struct drawing *out,
                    struct err *);
/* What sits on the sensor, over the middle frame, with words; no picture (bytes NULL) where nothing does. */
int pictures_spots(const struct pictures_of *, struct drawing *out, struct err *);

/* A frame's measure with its thumbnail; clear `room`, which may hold it, when done. */
int pictures_bring(const struct pictures_of *, int32_t frame, struct frame_measure *room,
                   const struct frame_measure **out, struct err *);

bool pictures_listed(const struct frame_list *, int32_t frame);

/* Words for one frame, e.g. "first useful, blurred"; empty when there is nothing to say. */
void pictures_frame_words(const struct pictures_of *, int32_t frame, char *out, size_t room);

/* 0..1 along the colour scale: the useful frames from first to last. */
double pictures_scale_at(const struct verdict *, double frame);

#endif
