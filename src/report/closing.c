#include "report/closing.h"

#include "base/mem.h"
#include "image/measure_io.h"

static int64_t exposed_at(const struct exposure_row *e, const struct file_row *f)
{
    return e->triggered_at_us != STACK_NONE ? e->triggered_at_us : f->captured_wall_us;
}

/* The last one that was kept; NULL: none. */
static const struct exposure_row *last_closing(const struct exposure_row *rows, int32_t count)
{
    while (count-- > 0)
        if (rows[count].purpose == PURPOSE_CLOSING && rows[count].state == EXPOSURE_KEPT) return &rows[count];
    return NULL;
}

/* The JPEG where there is one. */
static const struct file_row *file_to_measure(const struct file_row *files, int32_t count)
{
    for (int32_t i = 0; i < count; i++)
        if (files[i].role == FILE_JPEG) return &files[i];
    return count ? files : NULL;
}

static int compare(struct store *store, const struct frame_row *first, const struct file_row *file,
                   const struct measuring_opts *opts, struct closing *out, struct err *why)
{
    const struct frame_row pair[2] = {*first, {.file_count = 1, .files = {*file}}};
    struct frame_measure measures[2] = {{0}};
    struct err found;
    const int rc = measuring_run(store, pair, 2, opts, measures, &out->measured_now, &found);
    out->found =
        !rc && measures[0].width_px == measures[1].width_px && measures[0].height_px == measures[1].height_px;
    out->frame.shift = measures[1].shift;
    for (int i = 0; i < 2; i++)
        frame_measure_clear(&measures[i]);
    if (rc != E_NOMEM) return E_OK;
    *why = found;
    return rc;
}

int closing_find(struct store *store, const struct frame_row *first, const struct measuring_opts *opts,
                 struct closing *out, struct err *why)
{
    struct exposure_row *exposures = NULL;
    struct file_row *files = NULL;
    int32_t exposure_count, file_count;
    *out = (struct closing){.frame.after_us = STACK_NONE};
    int rc = store_exposures(store, &exposures, &exposure_count, why);
    const struct exposure_row *e = rc ? NULL : last_closing(exposures, exposure_count);
    if (e) rc = store_files(store, e->id, &files, &file_count, why);
    const struct file_row *file = e && !rc ? file_to_measure(files, file_count) : NULL;
    if (file) {
        const int64_t from = first->triggered_at_us != STACK_NONE ? first->triggered_at_us
                                                                  : first->captured_wall_us,
                      to = exposed_at(e, file);
        if (from != STACK_NONE && to != STACK_NONE) out->frame.after_us = to - from;
        rc = compare(store, first, file, opts, out, why);
    }
    mem_free(exposures);
    mem_free(files);
    return rc;
}
