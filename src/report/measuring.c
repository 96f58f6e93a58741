/* Missing frames are cut into runs of neighbours. A run is one piece of work: it decodes the frame before its
 * first only for the shift, then each of its own once. Threads touch files and pixels; the store stays with
 * the caller. */
#include "report/measuring.h"

#include <unistd.h>

#include "base/fs.h"
#include "base/mem.h"
#include "base/pool.h"
#include "image/measure.h"
#include "image/measure_io.h"
#include "store/measured.h"

#define RUN_MOST        8
#define FILE_BYTES_MOST ((size_t)1 << 31)

struct measuring {
    struct store *store;
    const struct frame_row *rows;
    struct frame_measure *measures;
    int32_t measured;
    int32_t failed_at; /* the first frame, in capture order, that could not be measured */
    int rc;
    struct err why;
};

struct run {
    struct measuring *all;
    int32_t first, count;
    char before[PATH_ROOM], path[RUN_MOST][PATH_ROOM];
    int32_t done;
    int rc;
    struct err why;
};

/* The view of the frame before the run, for the shift of the run's first. */
static int view_before(struct run *r, struct measure_space *space, struct register_view **view)
{
    struct frame_measure measure = {0};
    uint8_t *bytes;
    size_t count;
    int rc = fs_read(r->before, FILE_BYTES_MOST, &bytes, &count, &r->why);
    if (rc) return rc;
    rc = measure_frame(space, r->before, bytes, count, NULL, &measure, view, NULL, &r->why);
    frame_measure_clear(&measure);
    mem_free(bytes);
    return rc;
}

static int measure_one(struct run *r, int32_t i, struct measure_space *space, struct register_view **view)
{
    struct register_view *now = NULL;
    uint8_t *bytes;
    size_t count;
    int rc = fs_read(r->path[i], FILE_BYTES_MOST, &bytes, &count, &r->why);
    if (rc) return rc;
    rc = measure_frame(space, r->path[i], bytes, count, *view, &r->all->measures[r->first + i], &now, NULL,
                       &r->why);
    mem_free(bytes);
    if (rc) return rc;
    register_view_free(*view);
    *view = now;
    return E_OK;
}

static void work(void *arg)
{
    struct run *r = arg;
    struct register_view *view = NULL;
    struct measure_space *space = measure_space_new(&r->why);
    r->rc = space ? E_OK : E_NOMEM;
    if (!r->rc && r->first > 0) r->rc = view_before(r, space, &view);
    for (int32_t i = 0; i < r->count && !r->rc; i++) {
        r->rc = measure_one(r, i, space, &view);
        r->done += r->rc == E_OK;
    }
    register_view_free(view);
    measure_space_free(space);
}

static const struct file_row *file_at(const struct measuring *all, int32_t i)
{
    return i < 0 ? NULL : &all->rows[i].files[0];
}

/* The rest is in derived/. */
static void keep_head(struct frame_measure *m)
{
    mem_free(m->cells);
    mem_free(m->thumb);
    m->cells = NULL;
    m->thumb = NULL;
}

static void done(void *arg)
{
    struct run *r = arg;
    struct measuring *all = r->all;
    for (int32_t i = r->first; i < r->first + r->done; i++)
        if (!measured_put(all->store, file_at(all, i), file_at(all, i - 1), &all->measures[i], NULL))
            keep_head(&all->measures[i]);
    all->measured += r->done;
    if (r->rc && (!all->rc || r->first < all->failed_at)) {
        all->failed_at = r->first;
        all->rc = r->rc;
        all->why = r->why;
    }
    mem_free(r);
}

static bool missing(const struct measuring *all, int32_t i)
{
    return all->measures[i].width_px == 0;
}

static int submit(struct measuring *all, struct pool *pool, int32_t first, int32_t count, struct err *why)
{
    struct run *r = mem_new(1, sizeof *r, why);
    if (!r) return E_NOMEM;
    *r = (struct run){.all = all, .first = first, .count = count};
    int rc = E_OK;
    if (first > 0)
        rc = store_frame_path(all->store, file_at(all, first - 1)->name, r->before, PATH_ROOM, why);
    for (int32_t i = 0; i < count && !rc; i++)
        rc = store_frame_path(all->store, file_at(all, first + i)->name, r->path[i], PATH_ROOM, why);
    if (!rc) rc = pool_submit(pool, work, done, r, 0, why);
    if (rc) mem_free(r);
    return rc;
}

static int submit_all(struct measuring *all, struct pool *pool, int32_t count, struct err *why)
{
    int rc = E_OK;
    for (int32_t i = 0, n; i < count && !rc; i += n) {
        for (n = 0; n < RUN_MOST && i + n < count && missing(all, i + n);)
            n++;
        if (n)
            rc = submit(all, pool, i, n, why);
        else
            n = 1;
    }
    return rc;
}

static int measure_missing(struct measuring *all, int32_t count, int threads, struct err *why)
{
    if (threads < 1) threads = (int)sysconf(_SC_NPROCESSORS_ONLN);
    struct sched *sched = sched_new_real(why);
    if (!sched) return E_NOMEM;
    struct pool *pool = pool_new(sched, threads < 1 ? 1 : threads, why);
    int rc = pool ? submit_all(all, pool, count, why) : E_NOMEM;
    while (pool && pool_pending(pool) > 0)
        sched_step(sched, SCHED_NEVER);
    pool_free(pool);
    sched_free(sched);
    if (rc || !all->rc) return rc;
    if (why) *why = all->why;
    return all->rc;
}

/* A kept frame whose file is gone is no frame, even when its measures are still there. */
static int find_files(struct store *store, const struct frame_row *rows, int32_t count, struct err *why)
{
    char path[PATH_ROOM];
    int rc = E_OK;
    for (int32_t i = 0; i < count && !rc; i++) {
        if (rows[i].file_count < 1)
            return fail(why, E_DAMAGED, "%s: slice %d is kept but has no file", store_dir(store),
                        rows[i].slice);
        rc = store_frame_path(store, rows[i].files[0].name, path, sizeof path, why);
    }
    return rc;
}

int measuring_run(struct store *store, const struct frame_row *rows, int32_t count,
                  const struct measuring_opts *opts, struct frame_measure *measures, int32_t *measured_out,
                  struct err *why)
{
    struct measuring all = {.store = store, .rows = rows, .measures = measures};
    int32_t wanted = 0;
    int rc = opts->files_may_be_away ? E_OK : find_files(store, rows, count, why);
    if (rc) return rc;
    for (int32_t i = 0; i < count; i++) {
        wanted += measured_get(store, file_at(&all, i), file_at(&all, i - 1), &measures[i], NULL) != 0;
        keep_head(&measures[i]);
    }
    if (wanted && opts->files_may_be_away) rc = find_files(store, rows, count, why);
    if (!rc && wanted) rc = measure_missing(&all, count, opts->threads, why);
    mem_give_back();
    if (!rc) *measured_out = all.measured;
    return rc;
}

int measuring_bring(struct store *store, const struct frame_row *rows, int32_t frame,
                    struct frame_measure *out, struct err *why)
{
    const struct measuring all = {.store = store, .rows = rows};
    return measured_get(store, file_at(&all, frame), file_at(&all, frame - 1), out, why);
}
