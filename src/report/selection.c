#include "report/selection.h"

#include <stdlib.h>
#include <string.h>

#include "base/mem.h"
#include "store/evening.h"
#include "store/folder.h"
#include "store/reference.h"

/* Everything of a store that a selection looks at. */
struct source {
    struct frame_row *frames;
    int32_t frame_count;
    struct exposure_row *exposures;
    int32_t exposure_count;
    struct file_row *files;
    int32_t file_count;
    struct choice_row *choices;
    int32_t choice_count;
};

static void source_clear(struct source *s)
{
    mem_free(s->frames);
    mem_free(s->exposures);
    mem_free(s->files);
    mem_free(s->choices);
}

static int read_source(struct store *st, struct source *s, struct err *why)
{
    int rc = store_frames(st, &s->frames, &s->frame_count, why);
    if (!rc) rc = store_exposures(st, &s->exposures, &s->exposure_count, why);
    if (!rc) rc = store_files(st, 0, &s->files, &s->file_count, why);
    if (!rc) rc = store_choices(st, &s->choices, &s->choice_count, why);
    return rc;
}

/* Letters, digits and what is beyond ASCII stay; the rest becomes one '-'. */
static void clean(const char *text, char *out, size_t room)
{
    size_t n = 0;
    for (const unsigned char *p = (const unsigned char *)text; *p && n + 1 < room; p++) {
        const bool good = (*p >= 'a' && *p <= 'z') || (*p >= 'A' && *p <= 'Z') || (*p >= '0' && *p <= '9') ||
                          *p >= 0x80 || *p == '.' || *p == '_';
        if (good)
            out[n++] = (char)*p;
        else if (n && out[n - 1] != '-')
            out[n++] = '-';
    }
    while (n && out[n - 1] == '-')
        n--;
    out[n] = '\0';
}

/* The day on which it was shot: as the first frame says, else that on which the stack was made. */
static void name_it(struct selection *s, const struct source *src, const char *dir)
{
    char job[NAME_ROOM], base[NAME_ROOM], stack[NAME_ROOM];
    const int64_t shot = src->frames[0].captured_wall_us;
    if (shot != STACK_NONE)
        evening_date(shot, 0, s->date);
    else
        evening_date(s->info.created_wall_us, s->info.utc_offset_s, s->date);
    folder_base_name(dir, base, sizeof base);
    clean(s->info.name, job, sizeof job);
    clean(base, stack, sizeof stack);
    snprintf(s->prefix, sizeof s->prefix, "%s%s%s%s%s", s->date, *job ? "-" : "", job, *stack ? "-" : "",
             stack);
}

static int check_range(const struct handover_request *rq, int32_t count, struct err *why)
{
    if (!count)
        return fail(why, E_INPUT,
                    "no frame in this stack yet; shoot or import some first (those on a camera's card with "
                    "'staddle import --pair')");
    if (rq->all) return E_OK;
    if (rq->useful_first < 0 || rq->useful_last < rq->useful_first || rq->useful_last >= count ||
        rq->margin < 0)
        return fail(why, E_INPUT, "no useful frame in this stack; --all hands over every frame");
    return E_OK;
}

/* The newest choice about any file of that frame: 1 keep, 0 leave out, -1 none. */
static int chosen(const struct source *src, const struct frame_row *f)
{
    for (int32_t i = src->choice_count; i-- > 0;)
        for (int32_t k = 0; k < f->file_count; k++)
            if (src->choices[i].file_id == f->files[k].id) return src->choices[i].keep;
    return -1;
}

static bool decide(const struct handover_request *rq, const struct source *src, int32_t i,
                   const char **why_out)
{
    const int choice = chosen(src, &src->frames[i]);
    const bool useful = i >= rq->useful_first && i <= rq->useful_last;
    const bool margin = i >= rq->useful_first - rq->margin && i <= rq->useful_last + rq->margin;
    if (choice >= 0)
        *why_out = choice ? "chosen by hand" : "left out by hand";
    else if (rq->all)
        *why_out = "all frames asked for";
    else
        *why_out = useful ? "useful" : margin ? "margin" : "beyond the useful frames";
    return choice >= 0 ? choice == 1 : rq->all || margin;
}

static const struct exposure_row *exposure_of(const struct source *src, int64_t id)
{
    for (int32_t i = 0; i < src->exposure_count; i++)
        if (src->exposures[i].id == id) return &src->exposures[i];
    return NULL;
}

static bool is_only_file(const struct source *src, const struct file_row *f)
{
    int n = 0;
    for (int32_t i = 0; i < src->file_count; i++)
        n += src->files[i].exposure_id == f->exposure_id;
    return n == 1;
}

/* Do slice numbers rise with depth? (They do unless a later plan filled a gap with numbers of its own.) */
static bool numbers_rise(const struct source *src, bool backwards)
{
    for (int32_t i = 1; i < src->frame_count; i++) {
        const int32_t a = src->frames[i - 1].slice, b = src->frames[i].slice;
        if (backwards ? b >= a : b <= a) return false;
    }
    return true;
}

static int describe(struct record_row *r, const struct source *src, const struct file_row *f, struct err *why)
{
    const struct exposure_row *e = exposure_of(src, f->exposure_id);
    if (!e)
        return fail(why, E_DAMAGED,
                    "stack.db: damaged (a file of no exposure); use a copy of the stack folder");
    *r = (struct record_row){.frame = -1,
                             .slice = e->slice,
                             .attempt = e->attempt,
                             .why = "",
                             .target_nm = STACK_NONE,
                             .reached_counts = e->reached_counts,
                             .settle_us = e->settle_us,
                             .exposure_us = e->exposure_us,
                             .triggered_at_us = e->triggered_at_us,
                             .file = *f};
    snprintf(r->reason, sizeof r->reason, "%s", e->reason);
    if (!*f->object_name && is_only_file(src, f))
        snprintf(r->file.object_name, sizeof r->file.object_name, "%s", e->object_name);
    return E_OK;
}

static void give_name(const struct selection *s, struct record_row *r, int32_t number)
{
    const char *dot = strrchr(r->file.name, '.');
    snprintf(r->name, sizeof r->name, "%s_s%04d%.16s", s->prefix, (int)number, dot ? dot : "");
}

static int add_frame(struct selection *s, const struct handover_request *rq, const struct source *src,
                     int32_t i, int32_t number, struct err *why)
{
    const struct frame_row *f = &src->frames[i];
    const char *reason;
    const bool in = decide(rq, src, i, &reason);
    for (int32_t k = 0; k < f->file_count; k++) {
        struct record_row *r = &s->record.rows[s->record.count++];
        int rc = describe(r, src, &f->files[k], why);
        if (rc) return rc;
        r->frame = i;
        r->why = reason;
        r->handed_over = in;
        r->target_nm = f->target_nm;
        if (in) give_name(s, r, number);
    }
    if (in) {
        if (!s->frames || i < s->first) s->first = i;
        if (!s->frames || i > s->last) s->last = i;
        if (!s->frames) s->first_slice = f->slice;
        s->last_slice = f->slice;
        s->frames++;
    } else {
        s->left_out++;
    }
    return E_OK;
}

static bool is_frame(const struct source *src, int64_t exposure_id)
{
    for (int32_t i = 0; i < src->frame_count; i++)
        if (src->frames[i].exposure_id == exposure_id) return true;
    return false;
}

static const char *why_no_frame(const struct exposure_row *e)
{
    static const char *const purposes[] = {"another bracket", "closing exposure", "reference exposure",
                                           "test exposure"};
    if (e->purpose != PURPOSE_STACK) return purposes[e->purpose];
    return e->state == EXPOSURE_KEPT ? purposes[0] : "shot again";
}

/* A ruler, a grey card: goes with the frames, in a folder of its own. */
static bool is_reference(const struct source *src, const struct file_row *f)
{
    const struct exposure_row *e = exposure_of(src, f->exposure_id);
    return e && e->purpose == PURPOSE_REFERENCE && e->state == EXPOSURE_KEPT && reference_of(f->name);
}

static int add_others(struct selection *s, const struct source *src, struct err *why)
{
    for (int32_t i = 0; i < src->file_count; i++) {
        const struct file_row *f = &src->files[i];
        if (is_frame(src, f->exposure_id)) continue;
        struct record_row *r = &s->record.rows[s->record.count++];
        int rc = describe(r, src, f, why);
        if (rc) return rc;
        r->why = why_no_frame(exposure_of(src, f->exposure_id));
        if (!is_reference(src, f)) continue;
        r->handed_over = true;
        snprintf(r->name, sizeof r->name, REFERENCE_FOLDER "/%s", f->name);
        s->references++;
    }
    return E_OK;
}

static int add_all(struct selection *s, const struct handover_request *rq, const struct source *src,
                   struct err *why)
{
    const bool backwards = s->info.order == ORDER_FAR_FIRST;
    const bool by_slice = numbers_rise(src, backwards);
    int rc = E_OK;
    s->record.rows = mem_new((size_t)src->file_count, sizeof *s->record.rows, why);
    if (!s->record.rows) return E_NOMEM;
    for (int32_t n = 0; n < src->frame_count && !rc; n++) {
        const int32_t i = backwards ? src->frame_count - 1 - n : n;
        rc = add_frame(s, rq, src, i, by_slice ? src->frames[i].slice : n + 1, why);
    }
    return rc ? rc : add_others(s, src, why);
}

static int read_plans(struct store *st, struct selection *s, struct err *why)
{
    struct plan_row *plans;
    int32_t n;
    int rc = store_plans(st, &plans, &n, why);
    if (rc) return rc;
    s->spacing_nm = n ? plans[0].spacing_nm : STACK_NONE;
    s->scale_change = n ? plans[0].scale_change : 0;
    for (int32_t i = 1; i < n; i++)
        if (plans[i].spacing_nm != s->spacing_nm) s->spacing_nm = STACK_NONE;
    mem_free(plans);
    return E_OK;
}

static int choose(struct store *st, const struct handover_request *rq, struct selection *s,
                  const struct source *src, struct err *why)
{
    int rc = check_range(rq, src->frame_count, why);
    if (rc) return rc;
    s->all = rq->all;
    s->margin = rq->margin;
    s->total = src->frame_count;
    name_it(s, src, store_dir(st));
    rc = add_all(s, rq, src, why);
    if (!rc && !s->frames) rc = fail(why, E_INPUT, "every frame is left out by hand; nothing to hand over");
    return rc;
}

int selection_make(struct store *st, const struct handover_request *rq, struct selection *out,
                   struct err *why)
{
    struct selection s = {0};
    struct source src = {0};
    int rc = store_info(st, &s.info, why);
    if (!rc) rc = read_plans(st, &s, why);
    if (!rc) rc = read_source(st, &src, why);
    if (!rc) rc = choose(st, rq, &s, &src, why);
    source_clear(&src);
    if (rc)
        selection_clear(&s);
    else
        *out = s;
    return rc;
}

void selection_clear(struct selection *s)
{
    stack_info_clear(&s->info);
    record_clear(&s->record);
}
