#include "report/facts.h"

#include <inttypes.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/mem.h"
#include "base/units.h"
#include "image/turned.h"
#include "plan/slices.h"

static struct page_row *add_row(struct facts *f, const char *what)
{
    struct page_row *r = &f->rows[f->row_count++];
    *r = (struct page_row){0};
    snprintf(r->what, sizeof r->what, "%s", what);
    return r;
}

static void add_note(struct facts *f, const char *what, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
static void add_note(struct facts *f, const char *what, const char *format, ...)
{
    struct page_note *n = &f->notes[f->note_count++];
    va_list args;
    snprintf(n->what, sizeof n->what, "%s", what);
    va_start(args, format);
    vsnprintf(n->text, sizeof n->text, format, args);
    va_end(args);
}

static void span_text(int64_t us, char *out, size_t room)
{
    const int64_t s = (us + US_PER_S / 2) / US_PER_S;
    if (us < 60LL * US_PER_S)
        snprintf(out, room, "%.1f s", s_from_us(us));
    else if (s < 3600)
        snprintf(out, room, "%" PRId64 " min %02" PRId64 " s", s / 60, s % 60);
    else
        snprintf(out, room, "%" PRId64 " h %02" PRId64 " min", s / 3600, s % 3600 / 60);
}

static int by_value(const void *a, const void *b)
{
    const int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;
    return (x > y) - (x < y);
}

/* Sorts; STACK_NONE when there are none. */
static int64_t median(int64_t *values, int32_t count)
{
    if (!count) return STACK_NONE;
    qsort(values, (size_t)count, sizeof *values, by_value);
    return values[count / 2];
}

/* Axis position that a count stands for; STACK_NONE without a bench. */
static int64_t position_nm(const struct judgement *j, int64_t counts)
{
    int64_t num, den;
    if (counts == STACK_NONE || !j->setup_known) return STACK_NONE;
    slices_count_length(&j->bench.axis, &num, &den);
    return slices_nm_of(counts, num, den);
}

static int64_t reached_nm(const struct judgement *j, int32_t i)
{
    return position_nm(j, j->rows[i].reached_counts);
}

static int64_t target_nm(const struct judgement *j, int32_t i)
{
    return j->rows[i].target_nm;
}

/* Mean distance of slices that follow each other by number; STACK_NONE when there are none. */
static int64_t mean_step(const struct judgement *j, int64_t (*at)(const struct judgement *, int32_t))
{
    int64_t sum = 0;
    int32_t count = 0;
    for (int32_t i = 1; i < j->frames; i++) {
        if (abs(j->rows[i].slice - j->rows[i - 1].slice) != 1) continue;
        if (at(j, i) == STACK_NONE || at(j, i - 1) == STACK_NONE) continue;
        sum += llabs(at(j, i) - at(j, i - 1));
        count++;
    }
    return count ? sum / count : STACK_NONE;
}

static void um_text(int64_t nm, char *out, size_t room)
{
    if (nm != STACK_NONE) snprintf(out, room, "%.2f um", um_from_nm(nm));
}

static void ms_text(int64_t us, char *out, size_t room)
{
    if (us != STACK_NONE && us >= 0) snprintf(out, room, "%.6g ms", ms_from_us(us));
}

static void way_text(int64_t from_nm, int64_t to_nm, char *out, size_t room)
{
    if (from_nm == STACK_NONE || to_nm == STACK_NONE) return;
    snprintf(out, room, "%.3f to %.3f mm", mm_from_nm(from_nm), mm_from_nm(to_nm));
}

static void add_slices(struct facts *f, const struct judgement *j, const struct slice_row *slices,
                       int32_t count)
{
    int32_t planned = 0, shot = 0;
    for (int32_t i = 0; i < count; i++)
        planned += slices[i].margin;
    for (int32_t i = 0; i < j->frames; i++)
        shot += j->rows[i].margin;
    struct page_row *r = add_row(f, "slices");
    snprintf(r->planned, sizeof r->planned, "%d, of these %d margin", count, planned);
    snprintf(r->shot, sizeof r->shot, "%d, of these %d margin", j->frames, shot);
}

static void add_positions(struct facts *f, const struct judgement *j, const struct slice_row *slices,
                          int32_t count)
{
    const int32_t last = j->frames - 1;
    struct page_row *r = add_row(f, "from near to far");
    if (count) way_text(slices[0].target_nm, slices[count - 1].target_nm, r->planned, sizeof r->planned);
    way_text(reached_nm(j, 0), reached_nm(j, last), r->shot, sizeof r->shot);
    r = add_row(f, "spacing");
    um_text(mean_step(j, target_nm), r->planned, sizeof r->planned);
    um_text(mean_step(j, reached_nm), r->shot, sizeof r->shot);
}

/* Medians of what was waited and exposed for the stack's frames; `room` is as long as `exposures`. */
static void add_times(struct facts *f, const struct judgement *j, const struct exposure_row *exposures,
                      int32_t count, int64_t *room)
{
    int32_t n = 0;
    for (int32_t i = 0; i < count; i++)
        if (exposures[i].purpose == PURPOSE_STACK && exposures[i].settle_us != STACK_NONE)
            room[n++] = exposures[i].settle_us;
    struct page_row *r = add_row(f, "settle");
    ms_text(median(room, n), r->shot, sizeof r->shot);
    if (j->plan_known) ms_text(j->plan.timeline.settle_us, r->planned, sizeof r->planned);
    n = 0;
    for (int32_t i = 0; i < count; i++)
        if (exposures[i].purpose == PURPOSE_STACK && exposures[i].exposure_us != STACK_NONE)
            room[n++] = exposures[i].exposure_us;
    r = add_row(f, "exposure time");
    ms_text(median(room, n), r->shot, sizeof r->shot);
    if (j->plan_known) ms_text(j->plan.timeline.exposure_us, r->planned, sizeof r->planned);
}

static void add_tries(struct facts *f, const struct exposure_row *exposures, int32_t count)
{
    int32_t fired = 0, again = 0, lost = 0;
    for (int32_t i = 0; i < count; i++) {
        if (exposures[i].purpose != PURPOSE_STACK) continue;
        fired++;
        again += exposures[i].attempt > 1;
        lost += exposures[i].state == EXPOSURE_LOST || exposures[i].state == EXPOSURE_DOUBTFUL;
    }
    struct page_row *r = add_row(f, "exposures");
    snprintf(r->shot, sizeof r->shot, "%d, of these %d again, %d lost", fired, again, lost);
}

static void add_duration(struct facts *f, const struct judgement *j)
{
    const int64_t first = j->rows[0].triggered_at_us, last = j->rows[j->frames - 1].triggered_at_us;
    struct page_row *r = add_row(f, "time from first to last");
    if (j->plan_known)
        span_text(j->plan.timeline.slice_us * (j->plan.slice_count - 1), r->planned, sizeof r->planned);
    if (first != STACK_NONE && last != STACK_NONE) span_text(llabs(last - first), r->shot, sizeof r->shot);
}

static int gather_rows(struct store *store, const struct judgement *j, struct facts *f, struct err *why)
{
    struct slice_row *slices = NULL;
    struct exposure_row *exposures = NULL;
    int64_t *room = NULL;
    int32_t slice_count = 0, exposure_count = 0;
    int rc = store_slices(store, 0, &slices, &slice_count, why);
    if (!rc) rc = store_exposures(store, &exposures, &exposure_count, why);
    if (!rc && !(room = mem_new((size_t)exposure_count, sizeof *room, why))) rc = E_NOMEM;
    if (!rc) {
        add_slices(f, j, slices, slice_count);
        add_positions(f, j, slices, slice_count);
        add_tries(f, exposures, exposure_count);
        add_times(f, j, exposures, exposure_count, room);
        add_duration(f, j);
    }
    mem_free(room);
    mem_free(slices);
    mem_free(exposures);
    return rc;
}

static void add_picture(struct facts *f, const struct judgement *j)
{
    const struct frame_measure *m = &j->measures[0];
    const char *turn = turned_words(j->verdict.orientation);
    if (*turn)
        add_note(f, "picture", "%d x %d px as stored; here, as viewers show it, %s", m->width_px,
                 m->height_px, turn);
    else
        add_note(f, "picture", "%d x %d px as stored", m->width_px, m->height_px);
}

static void gather_notes(const struct judgement *j, const char *version, struct facts *f)
{
    const struct frame_row *first = &j->rows[0], *last = &j->rows[j->frames - 1];
    int64_t bytes = 0;
    int32_t files = 0;
    for (int32_t i = 0; i < j->frames; i++)
        for (int32_t k = 0; k < j->rows[i].file_count; k++) {
            bytes += j->rows[i].files[k].bytes;
            files++;
        }
    add_note(f, "files", "%d, from %.100s to %.100s", files, first->files[0].name, last->files[0].name);
    add_note(f, "size", "%.1f MB", (double)bytes / 1e6);
    add_picture(f, j);
    if (first->f_number > 0) add_note(f, "aperture, as the files tell", "f/%.3g", first->f_number);
    if (first->iso > 0) add_note(f, "sensitivity, as the files tell", "ISO %.0f", first->iso);
    if (j->verdict.region.w > 0)
        add_note(f, "looked at", "%d x %d px from %d, %d", j->verdict.region.w, j->verdict.region.h,
                 j->verdict.region.x, j->verdict.region.y);
    add_note(f, "judged in", "%d x %d tiles of %d px", j->verdict.cols, j->verdict.rows, j->verdict.tile_px);
    if (j->info.simulated) add_note(f, "simulated with seed", "%" PRIu64, j->info.seed);
    add_note(f, "written by", "staddle %s", version);
}

int facts_gather(struct store *store, const struct judgement *j, const char *version, struct facts *out,
                 struct err *why)
{
    struct facts f = {0};
    if (j->info.kind == STACK_PLANNED) {
        const int rc = gather_rows(store, j, &f, why);
        if (rc) return rc;
    }
    gather_notes(j, version, &f);
    *out = f;
    return E_OK;
}
