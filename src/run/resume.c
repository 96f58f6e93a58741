#include "run/resume.h"

#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "image/measure_io.h"
#include "run/naming.h"

/* ---- the tables: the first row that fits decides */

enum { ANY = -1 };

static const struct {
    int state, file, held, ask;
    enum resume_do then;
} EXPOSURES[] = {
    /* the exposure is  its file in frames/ is  the camera  a person is to be asked  so */
    {EXPOSURE_KEPT, ANY, ANY, ANY, RESUME_LEAVE},   {EXPOSURE_LOST, ANY, ANY, ANY, RESUME_LEAVE},
    {EXPOSURE_FAILED, ANY, ANY, ANY, RESUME_LEAVE}, {EXPOSURE_SEEN, RESUME_GOOD_FILE, ANY, ANY, RESUME_ADOPT},
    {ANY, ANY, RESUME_HOLDS, ANY, RESUME_FETCH},    {ANY, ANY, RESUME_HOLDS_NONE, ANY, RESUME_FIRE_AGAIN},
    {ANY, ANY, RESUME_UNTOLD, false, RESUME_DOUBT}, {ANY, ANY, RESUME_UNTOLD, true, RESUME_ASK},
};

static const struct {
    int phase, same_nonce, known, same_place;
    enum resume_place then;
} PLACES[] = {
    /* the axis is  the same boot  knows its place  and it is that one  so */
    {AXIS_ALARM, ANY, ANY, ANY, RESUME_ASK_A_PERSON},
    {AXIS_GONE, ANY, ANY, ANY, RESUME_ASK_A_PERSON},
    {AXIS_STOPPED, ANY, ANY, ANY, RESUME_CLEAR},
    {AXIS_REST, true, true, true, RESUME_GO_ON},
    {ANY, ANY, ANY, ANY, RESUME_HOME},
};

static bool fits(int row, int is)
{
    return row == ANY || row == is;
}

enum resume_do resume_exposure(enum exposure_state state, enum resume_file file, enum resume_held held,
                               bool ask)
{
    for (size_t i = 0; i < sizeof EXPOSURES / sizeof *EXPOSURES; i++)
        if (fits(EXPOSURES[i].state, (int)state) && fits(EXPOSURES[i].file, (int)file) &&
            fits(EXPOSURES[i].held, (int)held) && fits(EXPOSURES[i].ask, ask))
            return EXPOSURES[i].then;
    return RESUME_ASK;
}

enum resume_place resume_position(const struct axis_state *a, int64_t nonce, int64_t reached_counts)
{
    bool told = nonce != STACK_NONE && reached_counts != STACK_NONE;
    bool same_nonce = told && a->nonce == nonce, known = a->known == AXIS_KNOWN;
    bool same_place = told && a->position_counts == reached_counts;
    for (size_t i = 0; i < sizeof PLACES / sizeof *PLACES; i++)
        if (fits(PLACES[i].phase, (int)a->phase) && fits(PLACES[i].same_nonce, same_nonce) &&
            fits(PLACES[i].known, known) && fits(PLACES[i].same_place, same_place))
            return PLACES[i].then;
    return RESUME_HOME;
}

/* ---- one exposure */

#define SETTLE_US   2000000  /* after exposure and lag a camera has written what it exposed; our choice */
#define PATIENCE_US 30000000 /* for a transfer; our choice, as in a run */
#define LARGEST     ((size_t)1 << 30)
#define DARK_LEVEL  0.002 /* linear: no flash in it; our choice, as in a run */

struct left {
    struct rig *rig;
    struct store *store;
    const struct bench *bench;
    struct measure_space *space;
    uint64_t mark;
    struct exposure_row *row;
    struct camera_object objects[FRAME_FILES_MOST];
    int32_t object_count; /* that the camera holds; -1: it cannot tell */
    bool named;           /* and they have names */
    uint8_t *bytes[FRAME_FILES_MOST];
    size_t counts[FRAME_FILES_MOST];
    struct file_row files[FRAME_FILES_MOST];
    int file_count;
    int32_t files_per_frame;
    bool dark, ask;
    struct err asked; /* the first one that a person has to decide about; code 0: none */
};

static void forget_files(struct left *x)
{
    for (int i = 0; i < FRAME_FILES_MOST; i++)
        mem_free(x->bytes[i]);
    memset(x->bytes, 0, sizeof x->bytes);
    memset(x->files, 0, sizeof x->files);
    x->file_count = 0;
}

/* What the camera holds of it. With one file a frame the store knows the name by itself. */
static int ask_camera(struct left *x, struct err *why)
{
    const uint64_t token = exposure_token(x->mark, x->row);
    const struct camera_memory memory = {x->row->triggered_at_us, x->row->object_name, x->row->object_bytes};
    x->named = false;
    camera_remind(x->rig->camera, token, &memory);
    int rc = camera_recount(x->rig->camera, token, &x->object_count, why);
    if (rc || x->object_count <= 0) return rc;
    int32_t listed = -1;
    rc = camera_held(x->rig->camera, token, x->objects, FRAME_FILES_MOST, &listed, why);
    if (rc) return rc;
    x->named = listed > 0;
    if (listed > 0) x->object_count = listed;
    if (!x->named && x->object_count == 1 && x->row->object_name[0]) {
        x->objects[0] = (struct camera_object){.role = store_role_by_name(x->row->object_name),
                                               .bytes = x->row->object_bytes};
        snprintf(x->objects[0].name, sizeof x->objects[0].name, "%.*s", (int)sizeof x->objects[0].name - 1,
                 x->row->object_name);
        x->named = true;
    }
    return E_OK;
}

/* Decodes it whole; what the file says of itself goes to its row. */
static int look_at(struct left *x, int i, struct err *why)
{
    struct frame_measure m = {0};
    struct image_facts facts = {0};
    struct file_row *f = &x->files[i];
    int rc = measure_frame(x->space, f->name, x->bytes[i], x->counts[i], NULL, &m, NULL, &facts, why);
    if (rc) return rc;
    x->dark = x->bench->light.kind == LIGHT_FLASH && m.mean_linear < DARK_LEVEL;
    frame_measure_clear(&m);
    file_row_tell(f, &facts);
    return E_OK;
}

/* The file as it would be called, if it is there and of the size that the camera named. A frame of several
 * files is not judged by one of them. */
static enum resume_file find_file(struct left *x)
{
    struct camera_object o = {.role = store_role_by_name(x->row->object_name)};
    char room[12], name[256];
    snprintf(o.name, sizeof o.name, "%.*s", (int)sizeof o.name - 1, x->row->object_name);
    if (x->row->state != EXPOSURE_SEEN || x->files_per_frame > 1) return RESUME_NO_FILE;
    if (store_frame_name(name, sizeof name, x->row, frame_ending(&o, room), NULL)) return RESUME_NO_FILE;
    if (store_adopt_frame(x->store, name, LARGEST, &x->files[0], &x->bytes[0], NULL)) return RESUME_NO_FILE;
    x->counts[0] = (size_t)x->files[0].bytes;
    x->file_count = 1;
    bool good = x->files[0].bytes == x->row->object_bytes && !look_at(x, 0, NULL);
    if (!good) forget_files(x);
    return good ? RESUME_GOOD_FILE : RESUME_BAD_FILE;
}

/* ---- waiting: the axis may speak meanwhile, the loop looks at it later */

static int wait_for(struct left *x, enum camera_event_kind kind, int64_t until_us, struct camera_event *out,
                    struct err *why)
{
    struct rig_event ev;
    for (;;) {
        bench_wait(x->rig, until_us, &ev);
        if (ev.kind == RIG_WISH) return fail(why, E_PAUSED, "paused by hand before anything was shot");
        if (ev.kind == RIG_DEADLINE) return E_TIMEOUT;
        if (ev.kind != RIG_CAMERA) continue;
        if (ev.camera.kind == CAMERA_GONE) {
            if (why) *why = ev.camera.why;
            return E_IO;
        }
        if (ev.camera.kind == kind && ev.camera.token == exposure_token(x->mark, x->row)) {
            *out = ev.camera;
            return E_OK;
        }
        mem_free(ev.camera.bytes);
    }
}

static int fetch_one(struct left *x, int i, struct err *why)
{
    struct camera_event ev;
    int rc = camera_fetch(x->rig->camera, exposure_token(x->mark, x->row), &x->objects[i], why);
    if (rc) return rc;
    rc = wait_for(x, CAMERA_FETCHED, sched_now_us(x->rig->sched) + PATIENCE_US, &ev, why);
    if (rc == E_TIMEOUT) return fail(why, rc, "the camera did not hand over %s", x->objects[i].name);
    if (rc) return rc;
    if (ev.why.code) {
        if (why) *why = ev.why;
        mem_free(ev.bytes);
        return ev.why.code;
    }
    x->bytes[i] = ev.bytes;
    x->counts[i] = (size_t)ev.byte_count;
    return E_OK;
}

/* Under its usual name; where a file that is no good has that name, which stays, beside it. */
static int put_one(struct left *x, int i, struct err *why)
{
    char room[12], name[256], ext[24];
    const char *usual = frame_ending(&x->objects[i], room);
    int rc = store_frame_name(name, sizeof name, x->row, usual, why);
    if (!rc) rc = store_put_frame(x->store, name, x->bytes[i], x->counts[i], &x->files[i], why);
    for (int again = 2; rc == E_STATE && again < 10; again++) {
        snprintf(ext, sizeof ext, "f%d.%s", again, usual);
        rc = store_frame_name(name, sizeof name, x->row, ext, why);
        if (!rc) rc = store_put_frame(x->store, name, x->bytes[i], x->counts[i], &x->files[i], why);
    }
    if (!rc) x->file_count++;
    return rc;
}

static int fetch_all(struct left *x, struct err *why)
{
    int rc = E_OK;
    for (int i = 0; !rc && i < x->object_count; i++) {
        rc = fetch_one(x, i, why);
        if (rc == E_TIMEOUT) rc = fetch_one(x, i, why); /* once more: a transfer may break off */
    }
    return rc;
}

static int end(struct left *x, enum exposure_state state, const char *reason, struct err *why)
{
    bool files = state == EXPOSURE_FAILED;
    return store_exposure_end(x->store, x->row->id, state, reason, files ? x->files : NULL,
                              files ? x->file_count : 0, why);
}

/* The files are in frames/: it is kept, unless one of them turns out to be none. */
static int keep(struct left *x, int32_t *count, struct resume_counts *out, struct err *why)
{
    struct err bad = {0};
    int main_file = 0;
    for (int i = x->file_count - 1; i >= 0; i--)
        if (x->files[i].role == FILE_JPEG) main_file = i;
    int rc = look_at(x, main_file, &bad);
    if (rc || x->dark) {
        out->lost++;
        return end(x, EXPOSURE_FAILED, rc ? bad.text : "dark: the flash did not fire", why);
    }
    rc = store_exposure_kept(x->store, x->row->id, x->files, x->file_count, why);
    if (!rc) ++*count;
    return rc;
}

static int fetch(struct left *x, struct resume_counts *out, struct err *why)
{
    struct err bad = {0};
    int rc = fetch_all(x, &bad);
    if (rc == E_IO || rc == E_PAUSED || rc == E_NOMEM) {
        if (why) *why = bad;
        return rc;
    }
    if (rc) {
        out->lost++;
        return end(x, EXPOSURE_LOST, bad.text, why);
    }
    if (x->row->state != EXPOSURE_SEEN)
        rc = store_exposure_seen(x->store, x->row->id, x->objects[0].name, (int64_t)x->counts[0], why);
    for (int i = 0; !rc && i < x->object_count; i++)
        rc = put_one(x, i, why);
    return rc ? rc : keep(x, &out->fetched, out, why);
}

/* Durable as a doubt first, so that it stays on record why the shutter was released once more. */
static int doubt(struct left *x, struct resume_counts *out, struct err *why)
{
    static const char REASON[] = "doubtful: the camera cannot tell whether it was exposed; shot again";
    int rc = x->row->state == EXPOSURE_DOUBTFUL ? E_OK : end(x, EXPOSURE_DOUBTFUL, REASON, why);
    if (!rc) rc = end(x, EXPOSURE_LOST, REASON, why);
    if (!rc) out->doubtful++;
    return rc;
}

/* It stays in doubt, so that each resume asks the camera and then the person again. */
static int ask(struct left *x, struct resume_counts *out, struct err *why)
{
    static const char REASON[] = "doubtful: the camera cannot tell whether it was exposed";
    const struct exposure_row *e = x->row;
    char what[64];
    int rc = e->state == EXPOSURE_DOUBTFUL ? E_OK : end(x, EXPOSURE_DOUBTFUL, REASON, why);
    if (rc) return rc;
    out->doubtful++;
    if (x->asked.code) return E_OK;
    const bool by_card = camera_caps(x->rig->camera) & CAMERA_KEEPS_FILES;
    snprintf(what, sizeof what, e->slice ? "slice %d" : "the frame beside the slices%.0d", (int)e->slice);
    fail(&x->asked, E_STATE,
         "%s, attempt %d: the camera cannot tell whether it was exposed%s%.60s; if it has it, %s, then "
         "resume; if not, resume with --doubtful shoot_again",
         what, (int)e->attempt, e->object_name[0] ? ", as " : "", e->object_name,
         by_card ? "bring its card with 'import --pair'" : "put its card in and switch it on");
    return E_OK;
}

static int settle_one(struct left *x, struct resume_counts *out, struct err *why)
{
    int rc = ask_camera(x, why);
    if (rc) return rc;
    enum resume_held held = x->object_count < 0    ? RESUME_UNTOLD
                            : x->object_count == 0 ? RESUME_HOLDS_NONE
                            : x->named             ? RESUME_HOLDS
                                                   : RESUME_UNTOLD;
    bool asks = x->ask && x->row->purpose != PURPOSE_REFERENCE; /* of which a resume makes new ones */
    switch (resume_exposure(x->row->state, find_file(x), held, asks)) {
    case RESUME_LEAVE:
        break;
    case RESUME_ADOPT:
        return keep(x, &out->adopted, out, why);
    case RESUME_FETCH:
        return fetch(x, out, why);
    case RESUME_FIRE_AGAIN:
        out->lost++;
        return end(x, EXPOSURE_LOST, "the run ended, and the camera holds nothing of it", why);
    case RESUME_DOUBT:
        return doubt(x, out, why);
    case RESUME_ASK:
        return ask(x, out, why);
    }
    return E_OK;
}

static bool under_way(const struct exposure_row *e)
{
    if (store_on_card(e)) return false; /* as far as it goes without the card */
    return e->state == EXPOSURE_FIRING || e->state == EXPOSURE_SEEN || e->state == EXPOSURE_DOUBTFUL;
}

/* A camera that is still at it would tell less than there is going to be. */
static int let_it_finish(struct left *x, int64_t exposure_us, struct err *why)
{
    struct camera_event none;
    int64_t us = x->bench->camera.shutter_lag_us + SETTLE_US + (exposure_us > 0 ? exposure_us : 0);
    int rc = wait_for(x, CAMERA_NOTHING, sched_now_us(x->rig->sched) + us, &none, why);
    return rc == E_TIMEOUT ? E_OK : rc;
}

static int settle_all(struct left *x, struct exposure_row *rows, int32_t count, struct resume_counts *out,
                      struct err *why)
{
    bool waited = false;
    for (int32_t i = 0; i < count; i++) {
        if (!under_way(&rows[i])) continue;
        x->row = &rows[i];
        int rc = waited ? E_OK : let_it_finish(x, rows[i].exposure_us, why);
        waited = true;
        if (!rc) rc = settle_one(x, out, why);
        forget_files(x);
        if (rc) return rc;
    }
    return E_OK;
}

int resume_exposures(struct rig *rig, struct store *store, const struct bench *bench, bool ask_in_doubt,
                     struct resume_counts *out, struct err *why)
{
    struct left x = {.rig = rig, .store = store, .bench = bench, .ask = ask_in_doubt};
    struct camera_facts facts = {0};
    struct stack_info info;
    struct exposure_row *rows;
    int32_t count;
    *out = (struct resume_counts){0};
    int rc = store_info(store, &info, why);
    if (rc) return rc;
    x.mark = stack_mark(&info);
    stack_info_clear(&info);
    rc = store_exposures(store, &rows, &count, why);
    if (rc) return rc;
    rc = camera_describe(rig->camera, &facts, why);
    x.files_per_frame = facts.files_per_frame;
    x.space = rc ? NULL : bench_take_space(rig, why);
    if (!rc) rc = x.space ? settle_all(&x, rows, count, out, why) : E_NOMEM;
    bench_give_space(rig, x.space);
    mem_free(rows);
    rig->axis_noticed = true; /* the loop looks for itself, and sees a wish again */
    rig->wishes_seen = 0;
    if (!rc && x.asked.code && why) *why = x.asked;
    return rc ? rc : x.asked.code;
}
