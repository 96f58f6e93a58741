#include "tests/support/by_hand.h"

#include "base/mem.h"
#include "base/units.h"
#include "store/store.h"
#include "tests/support/small.h"
#include "tests/support/test.h"

void by_hand_write(const char *name, bool frames, const char *more)
{
    char file[600];
    snprintf(file, sizeof file, "%s-bench.yaml", name);
    FILE *f = fopen(small_path(file), "w");
    assert_non_null(f);
    fputs("name: knob\ncamera:\n", f);
    if (frames) fprintf(f, "  kind: folder\n  folder: %s-in\n", name);
    fprintf(f,
            "  width_px: 96\n  height_px: 72\n  sensor_width_mm: 24\n%saxis:\n  kind: hand\n  lead_mm: 1\n"
            "  marks_per_turn: 100\n  clearance_mm: 8\nlens:\n  focal_length_mm: 35\n  f_number: 2.8\n",
            more);
    fclose(f);
    snprintf(file, sizeof file, "%s-job.yaml", name);
    f = fopen(small_path(file), "w");
    assert_non_null(f);
    fprintf(f,
            "name: by hand\nbench: %s-bench.yaml\nmagnification: 4\nnear_mm: 3\nfar_mm: 5\nslices: 3\n"
            "exposure_s: 0.25\nscene: clock\nseed: 7\n",
            name);
    fclose(f);
}

void by_hand_tell(void *arg, const char *sentence)
{
    struct by_hand *b = arg;
    const size_t used = strlen(b->told);
    snprintf(b->told + used, sizeof b->told - used, "%s\n", sentence);
    if (b->waits_for[0] && strstr(sentence, b->waits_for)) {
        b->waits_for[0] = '\0';
        for (int i = 0; i < b->wishes; i++)
            bench_wish(b->rig);
    }
}

void by_hand_turned(void *arg, int64_t position_counts)
{
    struct by_hand *b = arg;
    b->knob_nm = position_counts * 5000; /* 1 mm, 100 marks, half marks */
    b->turns++;
}

static void on_asked(void *arg, uint64_t token)
{
    struct by_hand *b = arg;
    (void)token;
    assert_true(b->other.shots + 1 < FRAMES_MOST);
    b->taken_at_nm[b->other.shots + 1] = b->knob_nm;
}

static bool on_event(void *arg, int64_t events)
{
    const struct by_hand *b = arg;
    return b->die_at && events >= b->die_at;
}

void by_hand_opened(void *arg, struct rig *r, struct store *st)
{
    struct by_hand *b = arg;
    (void)st;
    b->rig = r;
    b->other.sched = r->sched;
    b->other.world = r->world;
    float focus_nm[96 * 72];
    world_truth_focus(r->world, 3000000, 0, focus_nm);
    b->scene_near_nm = INFINITY;
    for (size_t i = 0; i < sizeof focus_nm / sizeof *focus_nm; i++)
        if ((double)focus_nm[i] < b->scene_near_nm) b->scene_near_nm = (double)focus_nm[i];
}

static void on_closing(void *arg, struct rig *r)
{
    struct by_hand *b = arg;
    (void)r;
    b->rig = NULL;
    b->other.world = NULL;
    mem_free(b->other.jpeg); /* what the program was writing when the clock stopped */
    b->other.jpeg = NULL;
}

void by_hand_open(struct by_hand *b, const char *name, const char *more)
{
    char file[600];
    struct err why = {0};
    memset(b, 0, sizeof *b);
    by_hand_write(name, true, more);
    snprintf(file, sizeof file, "%s-in", name);
    other_open(&b->other, file);
    b->other.lag_us = 2000000; /* the person turns, then presses */
    b->other.exposure_us = 250000;
    b->other.on_asked = on_asked;
    b->other.on_asked_arg = b;
    snprintf(file, sizeof file, "%s-job.yaml", name);
    if (shoot_job_read(small_path(file), NULL, &b->job, &why)) fail_msg("%s", why.text);
    snprintf(b->dir, sizeof b->dir, "%s", small_path(name));
    b->person = (struct person){.tell = by_hand_tell, .key_fd = -1, .turned = by_hand_turned, .arg = b};
}

static struct shoot_opts opts_of(struct by_hand *b)
{
    return (struct shoot_opts){.dir = b->dir,
                               .virtual_clock = true,
                               .workers = 1,
                               .killed = on_event,
                               .killed_arg = b,
                               .opened = by_hand_opened,
                               .closing = on_closing,
                               .arg = b,
                               .rig = {.person = &b->person, .eyes = &b->other.eyes}};
}

int by_hand_begin(struct by_hand *b)
{
    struct shoot_opts o = opts_of(b);
    b->why.text[0] = '\0';
    return shoot_new(&b->job, &o, &b->result, &b->why);
}

int by_hand_go_on(struct by_hand *b)
{
    bool already;
    char job[700];
    struct shoot_opts o = opts_of(b);
    snprintf(job, sizeof job, "%s-job.yaml", b->dir);
    o.job_path = job; /* the folder in the bench file is seen from there */
    b->die_at = 0;
    b->waits_for[0] = '\0';
    b->why.text[0] = '\0';
    run_result_clear(&b->result);
    return shoot_resume(&o, &b->result, &already, &b->why);
}

void by_hand_close(struct by_hand *b)
{
    run_result_clear(&b->result);
    shoot_job_clear(&b->job);
    other_close(&b->other);
}

static const struct frame_row *frame_of(const struct frame_row *rows, int32_t count, int64_t exposure_id)
{
    for (int32_t i = 0; i < count; i++)
        if (rows[i].exposure_id == exposure_id) return &rows[i];
    return NULL;
}

/* Every kept frame was taken where its slice lies: by the truth of who took it. */
static void check_places(const struct by_hand *b)
{
    struct store *st;
    struct frame_row *rows;
    struct exposure_row *e;
    int32_t count, exposures, checked = 0;
    assert_int_equal(store_open(b->dir, true, &st, NULL), 0);
    assert_int_equal(store_frames(st, &rows, &count, NULL), 0);
    assert_int_equal(store_exposures(st, &e, &exposures, NULL), 0);
    for (int32_t i = 0; i < exposures; i++) {
        int number = 0;
        const struct frame_row *f = frame_of(rows, count, e[i].id);
        if (!f) continue;
        assert_int_equal(sscanf(e[i].object_name, "IMG_%d.JPG", &number), 1);
        if (b->taken_at_nm[number] != f->target_nm)
            print_error("slice %d: taken at %.3f mm instead of %.3f\n", (int)f->slice,
                        mm_from_nm(b->taken_at_nm[number]), mm_from_nm(f->target_nm));
        assert_int_equal(b->taken_at_nm[number], f->target_nm);
        assert_int_equal(f->reached_counts, f->target_counts);
        checked++;
    }
    assert_int_equal(checked, count);
    mem_free(e);
    mem_free(rows);
    store_close(st);
}

void by_hand_check_whole(const struct by_hand *b)
{
    small_check_whole(b->dir, true);
    check_places(b);
}

int64_t by_hand_events(void)
{
    struct by_hand b;
    by_hand_open(&b, "events", "");
    assert_int_equal(by_hand_begin(&b), 0);
    const int64_t events = b.result.events;
    by_hand_close(&b);
    return events;
}

int by_hand_kill(int64_t at)
{
    struct by_hand b;
    char name[32];
    snprintf(name, sizeof name, "kill%d", (int)at);
    by_hand_open(&b, name, "");
    b.die_at = at;
    assert_int_equal(by_hand_begin(&b), E_PAUSED);
    assert_int_equal(b.result.end, RUN_KILLED);
    small_check_consistent(b.dir);
    b.knob_nm = 77; /* somebody has played with the knob meanwhile */
    if (by_hand_go_on(&b)) fail_msg("killed at %d: %s", (int)at, b.why.text);
    by_hand_check_whole(&b);
    struct small_counts n;
    small_count(b.dir, &n);
    const int again = b.other.shots - b.result.slices - 1 - n.references;
    by_hand_close(&b);
    return again;
}
