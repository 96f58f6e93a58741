#include "tests/support/phase_fault.h"

#include "base/fs.h"
#include "base/mem.h"
#include "device/camera_sim.h"
#include "device/link_fault.h"
#include "firmware/native/native.h"
#include "staddle/wire.h"
#include "tests/support/db_faults.h"
#include "tests/support/faults.h"
#include "tests/support/small.h"
#include "tests/support/test.h"

#define SLICE       3
#define SLICES_MOST 16
#define SHOTS_MOST  40
#define PLACE_UM    1.0 /* under two counts; the world's screw and play are in it, the same each time */

const char *const phase_names[PHASES] = {"start",    "moving",    "settling", "firing", "exposing",
                                         "fetching", "measuring", "between",  "end"};
const char *const fault_names[FAULTS] = {"cut",  "noise", "hush", "reset", "alarm",  "unplug",
                                         "hang", "lose",  "full", "clock", "suspend"};

/* What the camera was told, its shutter did and it handed over. */
struct seen_shot {
    uint64_t token;
    uint8_t *jpeg;
    size_t count;
    double focus_nm;
    int used;
};

struct cell {
    enum phase phase;
    enum fault fault;
    struct rig *rig;
    struct link *link;
    struct link_fault_socket socket;
    struct camera *camera;
    struct camera_ops camera_ops;
    const struct camera_ops *true_ops;
    bool armed, struck;
    int triggers, fetches, fetched, kept;
    int64_t steps; /* of the world when it was armed */
    struct seen_shot shots[SHOTS_MOST];
    int shot_count; /* with those of the run before, when it had to be gone on with */
    int exposed;    /* of these, found in a shutter log */
    int references; /* of these, taken on resume to compare with: wanted, not in vain */
    struct cell_result out;
};

static struct shoot_job job;
static double place_nm[SLICES_MOST + 1]; /* of each slice where nothing happens; [0]: of the closing frame */
static int64_t plain_us;
static struct cell *cell; /* that the camera's calls belong to */

/* ---- what happens */

static void clear_noise(void *arg)
{
    link_fault_change(((struct cell *)arg)->link, &(struct link_fault_way){0});
}

static void free_disk(void *arg)
{
    (void)arg;
    faults_full(false);
}

static void strike(void *arg)
{
    struct cell *c = arg;
    struct sched *s = c->rig->sched;
    int64_t now = sched_now_us(s);
    c->struck = true;
    c->out.caught = c->triggers - c->kept;
    if (c->phase == PHASE_MOVING) assert_true(world_step_count(c->rig->world, NULL, NULL) > c->steps);
    switch (c->fault) {
    case FAULT_CUT:
        link_fault_unplug(c->link, now + 3000000);
        break;
    case FAULT_NOISE:
        link_fault_change(c->link, &(struct link_fault_way){.corrupt_in = 12, .drop_in = 40});
        sched_at(s, now + 2000000, clear_noise, c);
        break;
    case FAULT_HUSH:
        link_fault_change(c->link, &(struct link_fault_way){.drop_in = 1});
        sched_at(s, now + 3000000, clear_noise, c);
        break;
    case FAULT_RESET:
        native_rail_reset(bench_controller(c->rig));
        break;
    case FAULT_ALARM:
        world_set_travel(c->rig->world, INT64_C(1000000000), -INT64_C(1000000000));
        break;
    case FAULT_UNPLUG:
        camera_sim_unplug(c->camera, now + 4000000);
        break;
    case FAULT_HANG:
        camera_sim_hang(c->camera);
        break;
    case FAULT_LOSE:
        camera_sim_lose(c->camera);
        break;
    case FAULT_FULL:
        faults_full(true);
        sched_at(s, now + 5000000, free_disk, c);
        break;
    case FAULT_CLOCK:
        sched_upset(s, 0, -INT64_C(3600000000));
        break;
    case FAULT_SUSPEND:
        native_rail_lose_host(bench_controller(c->rig));
        sched_upset(s, INT64_C(3600000000), 0);
        break;
    case FAULT_NONE:
        break;
    }
}

/* ---- when it happens */

static void at(struct cell *c, enum phase phase, int64_t after_us)
{
    if (c->armed || phase != c->phase || c->fault == FAULT_NONE) return;
    c->armed = true;
    c->steps = world_step_count(c->rig->world, NULL, NULL);
    sched_at(c->rig->sched, sched_now_us(c->rig->sched) + after_us, strike, c);
}

static void progress(void *arg, const struct run_progress *p)
{
    struct cell *c = arg;
    if (p->news) c->out.spoken++;
    if (!strcmp(p->doing, "kept")) c->kept++;
    if (!strcmp(p->doing, "homing")) at(c, PHASE_START, 200000);
    if (p->slice != SLICE) return;
    if (!strcmp(p->doing, "moving")) at(c, PHASE_MOVING, 60000);
    if (!strcmp(p->doing, "settling")) at(c, PHASE_SETTLING, 182000);
    if (!strcmp(p->doing, "kept")) at(c, PHASE_BETWEEN, 1000);
}

static int trigger(struct camera *camera, uint64_t token, struct err *why)
{
    int rc = cell->true_ops->trigger(camera, token, why);
    if (rc) return rc;
    assert_true(cell->shot_count < SHOTS_MOST);
    cell->shots[cell->shot_count++] = (struct seen_shot){.token = token};
    cell->triggers++;
    if (cell->triggers > job.plan.slice_count && cell->fault == FAULT_LOSE) at(cell, PHASE_END, 10000);
    if (cell->triggers != SLICE) return rc;
    at(cell, PHASE_FIRING, 10000);
    at(cell, PHASE_EXPOSING, 50000 + 125000);
    return rc;
}

static int fetch(struct camera *camera, uint64_t token, const struct camera_object *o, struct err *why)
{
    int rc = cell->true_ops->fetch(camera, token, o, why);
    cell->fetches++;
    if (cell->fetches == SLICE) at(cell, PHASE_FETCHING, 300000);
    if (cell->fetches == job.plan.slice_count + 1) at(cell, PHASE_END, 300000);
    return rc;
}

static void handed_over(struct cell *c, const struct camera_event *ev)
{
    for (int i = 0; i < c->shot_count; i++) {
        struct seen_shot *s = &c->shots[i];
        if (s->token != ev->token || s->jpeg) continue;
        s->count = (size_t)ev->byte_count;
        s->jpeg = malloc(s->count);
        assert_non_null(s->jpeg);
        memcpy(s->jpeg, ev->bytes, s->count);
    }
}

static int next_event(struct camera *camera, struct camera_event *out, struct err *why)
{
    int rc = cell->true_ops->next_event(camera, out, why);
    if (rc || out->kind != CAMERA_FETCHED || !out->bytes) return rc;
    handed_over(cell, out);
    if (++cell->fetched == SLICE) at(cell, PHASE_MEASURING, 100000);
    return rc;
}

static struct camera *around_camera(void *arg, struct camera *camera)
{
    struct cell *c = arg;
    c->camera = camera;
    c->true_ops = camera->ops;
    c->camera_ops = *camera->ops;
    c->camera_ops.trigger = trigger;
    c->camera_ops.fetch = fetch;
    c->camera_ops.next_event = next_event;
    camera->ops = &c->camera_ops;
    return camera;
}

static struct link *around_link(void *arg, struct sched *sched, struct link *inner)
{
    struct cell *c = arg;
    struct link_fault_opts o = {.seed = 5, .socket = &c->socket};
    struct err why = {0};
    struct link *link = link_fault_open(sched, inner, &o, &why);
    if (link) c->link = link;
    return link;
}

/* ---- what became of it */

static void opened(void *arg, struct rig *r, struct store *st)
{
    (void)st;
    ((struct cell *)arg)->rig = r;
}

static double mean_focus_nm(const struct shot *s)
{
    double sum = 0;
    for (int32_t i = 0; i < s->samples; i++)
        sum += s->focus_nm[i];
    return sum / s->samples;
}

/* Where each picture was taken, by the shutter log; the contacts are open, nothing moves. */
static void closing(void *arg, struct rig *r)
{
    struct cell *c = arg;
    const struct shot *log;
    int32_t n = world_shots(r->world, &log);
    assert_int_equal(c->exposed + n, c->shot_count); /* each trigger that was taken, once, in order */
    for (int32_t i = 0; i < n; i++)
        c->shots[c->exposed++].focus_nm = mean_focus_nm(&log[i]);
    int64_t steps = world_step_count(r->world, NULL, NULL), until = sched_now_us(r->sched) + 2000000;
    while (sched_step(r->sched, until))
        continue;
    assert_int_equal(world_step_count(r->world, NULL, NULL), steps);
    assert_int_equal(native_rail_outputs(bench_controller(r)) & (WIRE_HALF_PRESSED | WIRE_FULL_PRESSED), 0);
    faults_full(false);
    c->rig = NULL;
}

static struct seen_shot *shot_of(struct cell *c, const char *dir, const char *name)
{
    char path[600];
    uint8_t *bytes;
    size_t count;
    struct seen_shot *found = NULL;
    snprintf(path, sizeof path, "%s/frames/%s", dir, name);
    assert_int_equal(fs_read(path, 10000000, &bytes, &count, NULL), 0);
    for (int i = 0; i < c->shot_count; i++)
        if (c->shots[i].jpeg && c->shots[i].count == count && !memcmp(c->shots[i].jpeg, bytes, count))
            found = &c->shots[i];
    mem_free(bytes);
    return found;
}

/* A frame that resume took to compare the bench with before: at the place of one of the slices. */
static double beside_any_um(const struct seen_shot *s)
{
    double best = INFINITY;
    for (int32_t i = 1; i <= job.plan.slice_count; i++)
        best = fmin(best, fabs(s->focus_nm - place_nm[i]) / 1000);
    return best;
}

static void check_frame(struct cell *c, struct store *st, const char *dir, const struct exposure_row *e)
{
    struct file_row *files;
    int32_t count, number = e->purpose == PURPOSE_CLOSING ? 0 : e->slice;
    assert_int_equal(store_files(st, e->id, &files, &count, NULL), 0);
    assert_int_equal(count, 1);
    struct seen_shot *s = shot_of(c, dir, files[0].name);
    mem_free(files);
    if (!s) fail_msg("slice %d: its file is no picture that the shutter took", (int)number);
    if (s->used++) fail_msg("slice %d: its picture is another slice's, too", (int)number);
    assert_true(number >= 0 && number <= SLICES_MOST);
    if (c->fault == FAULT_NONE) {
        place_nm[number] = s->focus_nm;
        return;
    }
    bool compares = e->purpose == PURPOSE_REFERENCE;
    double off_um = compares ? beside_any_um(s) : fabs(s->focus_nm - place_nm[number]) / 1000;
    if (off_um > c->out.off_um) c->out.off_um = off_um;
    if (off_um > PLACE_UM)
        fail_msg("slice %d: kept from a place %.2f um beside its own", (int)number, off_um);
}

/* Rows in the order in which they were made are in the order of their times: no clock set back shows. */
static void check_frames(struct cell *c, const char *dir)
{
    struct store *st;
    struct exposure_row *e;
    int32_t n, kept = 0;
    int64_t last_us = 0;
    assert_int_equal(store_open(dir, true, &st, NULL), 0);
    assert_int_equal(store_exposures(st, &e, &n, NULL), 0);
    for (int32_t i = 0; i < n; i++) {
        if (e[i].triggered_at_us < last_us)
            fail_msg("exposure %d is older than the one before", (int)e[i].id);
        last_us = e[i].triggered_at_us;
        if (e[i].state != EXPOSURE_KEPT) continue;
        check_frame(c, st, dir, &e[i]);
        if (e[i].purpose == PURPOSE_REFERENCE)
            c->references++;
        else
            kept++;
    }
    assert_int_equal(kept, job.plan.slice_count + 1);
    mem_free(e);
    store_close(st);
}

static int exit_of(int rc)
{
    return rc ? err_exit_status((enum errc)rc) : 0;
}

static void go_on(struct cell *c, const char *dir)
{
    struct err why = {0};
    struct run_result r;
    bool already;
    struct shoot_opts o = {.dir = dir,
                           .workers = 1,
                           .closing = closing,
                           .arg = c,
                           .rig = {.wrap_camera = around_camera, .wrap_arg = c}};
    if (shoot_resume(&o, &r, &already, &why)) fail_msg("resume: %s", why.text);
    run_result_clear(&r);
}

static void shoot(struct cell *c)
{
    char name[64];
    struct err why = {0};
    struct run_result r;
    snprintf(name, sizeof name, "cell-%d-%d", (int)c->phase, (int)c->fault);
    const char *dir = small_path(name);
    struct shoot_opts o = {.dir = dir,
                           .virtual_clock = true,
                           .workers = 1,
                           .progress = progress,
                           .progress_arg = c,
                           .opened = opened,
                           .closing = closing,
                           .arg = c,
                           .rig = {.wrap_camera = around_camera, .wrap_link = around_link, .wrap_arg = c}};
    cell = c;
    int rc = shoot_new(&job, &o, &r, &why);
    c->out.exit = exit_of(rc);
    if (c->fault == FAULT_NONE) plain_us = r.duration_us;
    c->out.longer_s = (double)(r.duration_us - plain_us) * 1e-6;
    bool person = c->fault == FAULT_ALARM && rc == E_STATE;
    if (rc && !person) fail_msg("%s", why.text);
    run_result_clear(&r);
    if (rc) go_on(c, dir);
    small_check_whole(dir, true);
    check_frames(c, dir);
    c->out.slices = job.plan.slice_count;
    c->out.releases = c->shot_count;
    c->out.extra = c->shot_count - c->references - (job.plan.slice_count + 1);
}

static void clear(struct cell *c)
{
    for (int i = 0; i < c->shot_count; i++)
        free(c->shots[i].jpeg);
}

void phase_fault_open(void)
{
    small_job(
        "cells",
        &(struct small){.width_px = 32, .height_px = 24, .slices = 2, .depth_mm = 0.1, .settle_ms = 200},
        &job);
    assert_true(job.plan.slice_count <= SLICES_MOST && job.plan.slice_count > SLICE);
    faults_at(0);
    db_faults_on();
    static struct cell c;
    c = (struct cell){.fault = FAULT_NONE};
    shoot(&c);
    assert_int_equal(c.out.extra, 0);
    clear(&c);
}

void phase_fault_close(void)
{
    db_faults_off();
    faults_off();
    shoot_job_clear(&job);
}

void phase_fault_try(enum phase phase, enum fault fault, struct cell_result *out)
{
    static struct cell c;
    c = (struct cell){.phase = phase, .fault = fault};
    shoot(&c);
    if (!c.struck) fail_msg("it never happened");
    int32_t may = c.out.caught + (fault == FAULT_LOSE);
    if (c.out.extra < 0 || c.out.extra > may)
        fail_msg("%d releases more than frames, %d were caught", (int)c.out.extra, (int)may);
    *out = c.out;
    clear(&c);
}
