#include "store/measured.h"

#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "image/measure_io.h"

#define HEAD_ROOM 192
#define NAME_MOST 255

/* A name as long as a folder allows has no room for an ending: then the hash is the name. */
static void derived_name(const struct file_row *file, char out[NAME_MOST + 1])
{
    const char *stem = strlen(file->name) + strlen(".cells") <= NAME_MOST ? file->name : file->sha256;
    snprintf(out, NAME_MOST + 1, "%.249s.cells", stem);
}

static size_t head(const struct file_row *file, const struct file_row *previous, char out[HEAD_ROOM])
{
    return (size_t)snprintf(out, HEAD_ROOM, "cells of %s\nafter %s\n", file->sha256,
                            previous ? previous->sha256 : "-");
}

int measured_put_bytes(struct store *st, const struct file_row *file, const struct file_row *previous,
                       const uint8_t *bytes, size_t count, struct err *why)
{
    char name[NAME_MOST + 1], first[HEAD_ROOM];
    const size_t n = head(file, previous, first);
    uint8_t *all = mem_new(n + count, 1, why);
    if (!all) return E_NOMEM;
    memcpy(all, first, n);
    memcpy(all + n, bytes, count);
    derived_name(file, name);
    const int rc = store_derived_put(st, name, all, n + count, why);
    mem_free(all);
    return rc;
}

int measured_put(struct store *st, const struct file_row *file, const struct file_row *previous,
                 const struct frame_measure *measure, struct err *why)
{
    uint8_t *bytes;
    size_t count;
    int rc = measure_to_bytes(measure, &bytes, &count, why);
    if (rc) return rc;
    rc = measured_put_bytes(st, file, previous, bytes, count, why);
    mem_free(bytes);
    return rc;
}

int measured_get(struct store *st, const struct file_row *file, const struct file_row *previous,
                 struct frame_measure *out, struct err *why)
{
    char name[NAME_MOST + 1], first[HEAD_ROOM];
    uint8_t *bytes;
    size_t count;
    const size_t n = head(file, previous, first);
    derived_name(file, name);
    int rc = store_derived_get(st, name, &bytes, &count, why);
    if (rc) return rc;
    if (count < n || memcmp(bytes, first, n) != 0)
        rc = fail(why, E_INPUT, "%s: measured of other bytes; measure again", name);
    else
        rc = measure_from_bytes(name, bytes + n, count - n, out, why);
    mem_free(bytes);
    return rc == E_DAMAGED ? fail(why, E_INPUT, "%s: damaged; measure again", name) : rc;
}
