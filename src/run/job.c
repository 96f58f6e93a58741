/* The work that other threads do for the loop: every call of the store, and everything that looks at pixels.
 * A job touches its own record, the store (disk's thread) and its picture; never the loop. */
#include <stdio.h>
#include <string.h>

#include "base/fs.h"
#include "base/mem.h"
#include "image/measure_io.h"
#include "run/loop_state.h"
#include "store/measured.h"

void picture_drop(struct picture *p)
{
    if (!p || --p->refs > 0) return;
    mem_free(p->bytes);
    frame_measure_clear(&p->measure);
    register_view_free(p->view);
    mem_free(p);
}

struct picture *picture_hold(struct picture *p)
{
    if (p) p->refs++;
    return p;
}

static void job_free(struct work *w)
{
    struct job_work *j = (struct job_work *)w;
    picture_drop(j->picture);
    picture_drop(j->before);
    mem_free(j->bytes);
    mem_free(j);
}

static void measure(struct job_work *j)
{
    struct picture *p = j->picture;
    struct measure_space *space = bench_take_space(j->base.rig, &j->why);
    if (!space) {
        j->rc = E_NOMEM;
        return;
    }
    j->rc = measure_frame(space, p->name, p->bytes, (size_t)p->byte_count, NULL, &p->measure, &p->view,
                          &p->facts, &j->why);
    bench_give_space(j->base.rig, space);
}

/* Where the frame lies relative to the one before it, then the whole measure as bytes. */
static void pair(struct job_work *j)
{
    struct frame_measure *m = &j->picture->measure;
    if (j->before) {
        struct measure_space *space = bench_take_space(j->base.rig, &j->why);
        if (!space) {
            j->rc = E_NOMEM;
            return;
        }
        j->rc = register_shift(measure_space_register(space), j->before->view, j->picture->view, &m->shift,
                               &j->why);
        bench_give_space(j->base.rig, space);
    }
    if (!j->rc) j->rc = measure_to_bytes(m, &j->bytes, &j->byte_count, &j->why);
}

static void compare(struct job_work *j)
{
    struct measure_space *space = bench_take_space(j->base.rig, &j->why);
    if (!space) {
        j->rc = E_NOMEM;
        return;
    }
    j->rc =
        register_shift(measure_space_register(space), j->before->view, j->picture->view, &j->shift, &j->why);
    bench_give_space(j->base.rig, space);
}

static int put(struct job_work *j)
{
    struct picture *p = j->picture;
    return store_put_frame(j->store, p->name, p->bytes, (size_t)p->byte_count, &p->file, &j->why);
}

static int derived(struct job_work *j)
{
    return measured_put_bytes(j->store, &j->files[0], j->file_count > 1 ? &j->files[1] : NULL, j->bytes,
                              j->byte_count, &j->why);
}

#define SPARE_BYTES 4000000 /* beside the frame: the database and its log; guess */

static bool has_room(struct job_work *j)
{
    int64_t room = fs_room(store_dir(j->store)), needed = SPARE_BYTES;
    if (j->picture) needed += j->picture->byte_count;
    if (room < 0 || room >= needed) return true;
    j->rc = fail(&j->why, E_FULL, "no room on the disk of the stack; free some");
    return false;
}

static void run(struct work *w)
{
    struct job_work *j = (struct job_work *)w;
    if (j->probe && !has_room(j)) return;
    switch ((enum job_kind)w->kind) {
    case JOB_BEGIN:
        j->rc = store_exposure_begin(j->store, &j->row, &j->why);
        break;
    case JOB_SEEN:
        j->rc = store_exposure_seen(j->store, j->row.id, j->row.object_name, j->row.object_bytes, &j->why);
        break;
    case JOB_CARD:
        j->rc = store_exposure_on_card(j->store, j->row.id, j->row.triggered_at_us, &j->why);
        break;
    case JOB_PUT:
        j->rc = put(j);
        break;
    case JOB_MEASURE:
        measure(j);
        break;
    case JOB_KEEP:
        j->rc = store_exposure_kept(j->store, j->row.id, j->files, j->file_count, &j->why);
        break;
    case JOB_END:
        j->rc =
            store_exposure_end(j->store, j->row.id, j->state, j->reason, j->files, j->file_count, &j->why);
        break;
    case JOB_PAIR:
        pair(j);
        break;
    case JOB_DERIVED:
        j->rc = derived(j);
        break;
    case JOB_COMPARE:
        compare(j);
        break;
    case JOB_EVENT:
        j->rc = store_add_event(j->store, j->event.at_wall_us, j->event.kind, j->event.text, j->event.detail,
                                &j->why);
        break;
    }
}

struct job_work *job_new(struct loop *l, enum job_kind kind, struct take *t)
{
    struct err why;
    struct job_work *j = mem_new(1, sizeof *j, &why);
    if (!j) {
        loop_fault(l, &why);
        return NULL;
    }
    j->base = (struct work){.run = run, .free = job_free, .kind = (int)kind};
    j->store = l->opts.store;
    j->take = t;
    if (t) {
        j->serial = t->serial;
        j->slot = t->slot;
        j->row = t->row;
    }
    return j;
}

static bool looks_at_pixels(enum job_kind kind)
{
    return kind == JOB_MEASURE || kind == JOB_PAIR || kind == JOB_COMPARE;
}

void job_start(struct loop *l, struct job_work *j)
{
    if (!j) return;
    struct rig *r = l->rig;
    bool pixels = looks_at_pixels((enum job_kind)j->base.kind);
    struct err why;
    if (!bench_submit(r, pixels ? r->measurers : r->disk, &j->base, pixels ? r->measure_us : r->commit_us,
                      &why))
        return;
    loop_fault(l, &why);
    job_free(&j->base);
}
