/* import_pair.h - the frames of a card come to the exposures of a stack that was fired over a cable.
 *
 *    import_scan -> import_pair_find (what belongs to what; nothing written) -> import_pair_bring
 *
 *  1. Refused, and nothing changed, where order and time leave a doubt.
 *  2. Each exposure is one durable transaction, its files being copied, synced and verified before. Broken
 * off, the same call goes on; called twice, it changes nothing.
 *  3. Of a stack whose JPEGs were fetched and whose raws stayed on the card, the JPEG beside a raw tells by
 * its bytes whose it is; nothing is guessed.
 *  4. A frame that is in the stack already counts as found, also when the folder has it no more. */
#ifndef STADDLE_STORE_IMPORT_PAIR_H
#define STADDLE_STORE_IMPORT_PAIR_H

#include "store/import.h"
#include "store/store.h"

enum pair_end {
    PAIR_BROUGHT, /* now */
    PAIR_HAD,     /* in the stack already */
    PAIR_RAW,     /* so, but for its raw, which had stayed on the card and comes now */
    PAIR_MISSING, /* it was fired, and no frame of it came */
    PAIR_GIVEN_UP /* of an attempt that was given up: its frame stays where it is */
};

/* Of each exposure that may have a frame, in order of time. */
struct pair_row {
    struct exposure_row exposure;
    enum pair_end end;
    int32_t frame; /* in the folder's list, or -1 */
};

struct pair_extra {
    int32_t frame;
    int32_t after; /* index of the row before it in time, -1: before all */
};

struct pair_result {
    struct pair_row *rows;
    struct pair_extra *extras;
    int32_t count, extra_count;
    int32_t by_end[PAIR_GIVEN_UP + 1];
    bool by_time, by_bytes; /* else by order alone */
    int64_t ahead_us, resolution_us;
    double fast_ppm;
};

/* `first`: the file that the first exposure gave, to be told where it is in doubt; NULL: find it. E_INPUT,
 * also where it is ambiguous. */
int import_pair_find(struct store *, const struct import_list *, const char *first, struct pair_result *out,
                     struct err *why);
int import_pair_bring(struct store *, const struct import_list *, const struct pair_result *,
                      struct err *why);
void import_pair_clear(struct pair_result *);

/* "slice 12, attempt 2", "the closing frame". */
void import_pair_name(const struct exposure_row *, char *out, size_t room);

/* A file of the list to that name in frames/, durably, and verified; E_STATE when the name is taken. */
int import_copy_file(const struct import_list *, struct store *, const struct import_file *,
                     const struct file_row *, struct err *why);
void import_ending(const char *name, char *out, size_t room); /* "jpg" */

#endif
