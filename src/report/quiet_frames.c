#include "report/quiet_frames.h"

#include <string.h>

#include "base/mem.h"
#include "image/measure_io.h"
#include "store/reference.h"

struct kept {
    struct exposure_row *exposures;
    struct file_row *files;
    int32_t exposure_count, file_count;
};

static bool is_kept(const struct kept *k, int64_t exposure_id)
{
    for (int32_t i = 0; i < k->exposure_count; i++)
        if (k->exposures[i].id == exposure_id)
            return k->exposures[i].purpose == PURPOSE_REFERENCE && k->exposures[i].state == EXPOSURE_KEPT;
    return false;
}

/* A raw and its JPEG are one frame, and the JPEG is the one to measure. */
static void add_file(struct quiet_frames *q, const struct file_row *f)
{
    struct frame_row *last = q->count ? &q->rows[q->count - 1] : NULL;
    if (!last || last->exposure_id != f->exposure_id)
        q->rows[q->count++] = (struct frame_row){.exposure_id = f->exposure_id,
                                                 .exposure_us = f->exposure_us,
                                                 .f_number = f->f_number,
                                                 .iso = f->iso,
                                                 .file_count = 1,
                                                 .files = {*f}};
    else if (last->files[0].role != FILE_JPEG && f->role == FILE_JPEG)
        last->files[0] = *f;
}

static int find(const struct kept *k, struct quiet_frames *q, struct err *why)
{
    const size_t room = (size_t)k->file_count + 1;
    q->rows = mem_new(room, sizeof *q->rows, why);
    if (!q->rows) return E_NOMEM;
    for (int32_t i = 0; i < k->file_count; i++) {
        const char *what = reference_of(k->files[i].name);
        if (what && !strcmp(what, REFERENCE_QUIET) && is_kept(k, k->files[i].exposure_id))
            add_file(q, &k->files[i]);
    }
    q->measures = mem_new((size_t)q->count + 1, sizeof *q->measures, why);
    q->list = q->measures ? mem_new((size_t)q->count + 1, sizeof *q->list, why) : NULL;
    return q->list ? E_OK : E_NOMEM;
}

static int gather(struct store *store, struct quiet_frames *q, struct err *why)
{
    struct kept k = {0};
    int rc = store_exposures(store, &k.exposures, &k.exposure_count, why);
    if (!rc) rc = store_files(store, 0, &k.files, &k.file_count, why);
    if (!rc) rc = find(&k, q, why);
    mem_free(k.exposures);
    mem_free(k.files);
    return rc;
}

/* Each by itself: none of them is the frame before another. */
static int measure(struct store *store, const struct measuring_opts *opts, struct quiet_frames *q, int32_t i,
                   struct err *why)
{
    struct frame_measure *m = &q->measures[i];
    int32_t now = 0;
    int rc = measuring_run(store, &q->rows[i], 1, opts, m, &now, why);
    q->measured_now += now;
    if (!rc && !m->cells) {
        frame_measure_clear(m);
        rc = measuring_bring(store, &q->rows[i], 0, m, why);
    }
    if (rc) return rc;
    const struct frame_row *r = &q->rows[i];
    q->list[i] = (struct quiet_frame){r->files[0].name, m, r->exposure_us, r->f_number, r->iso};
    return E_OK;
}

int quiet_frames_new(struct store *store, const struct measuring_opts *opts, struct quiet_frames *out,
                     struct err *why)
{
    struct quiet_frames q = {0};
    int rc = gather(store, &q, why);
    for (int32_t i = 0; i < q.count && !rc; i++)
        rc = measure(store, opts, &q, i, why);
    if (rc) {
        quiet_frames_clear(&q);
        return rc;
    }
    *out = q;
    return E_OK;
}

void quiet_frames_clear(struct quiet_frames *q)
{
    for (int32_t i = 0; q->measures && i < q->count; i++)
        frame_measure_clear(&q->measures[i]);
    mem_free(q->rows);
    mem_free(q->measures);
    mem_free(q->list);
    *q = (struct quiet_frames){0};
}
