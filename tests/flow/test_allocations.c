/* Each allocation of our own fails once, the first, the second, ... until a call passes untouched: it is told
 * (E_NOMEM and a sentence) or got over, nothing is written half, and the same call works right after. Leaks
 * show under SAN=address. What a run, an import, a hand-over, a decoder and the world do has sweeps of its
 * own. */
#include "tests/support/test.h"

#include "base/fs.h"
#include "base/mem.h"
#include "check/check.h"
#include "config/config.h"
#include "run/shoot.h"
#include "tests/support/allocations.h"
#include "tests/support/allocations_judge.h"
#include "tests/support/small.h"

static struct shoot_job job;
static char job_path[600], stack[600];

static int set_up(void **state)
{
    (void)state;
    struct run_result r;
    struct err why = {0};
    /* Low and wide: the pictures of the report are of one width, and half of the time goes into them. */
    small_job("mem", &(struct small){.width_px = 320, .height_px = 80, .slices = 2, .settle_ms = 200}, &job);
    snprintf(job_path, sizeof job_path, "%s", small_path("mem-job.yaml"));
    snprintf(stack, sizeof stack, "%s", small_path("whole"));
    struct shoot_opts o = {.dir = stack, .virtual_clock = true, .workers = 1};
    if (shoot_new(&job, &o, &r, &why)) print_error("%s\n", why.text);
    run_result_clear(&r);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    shoot_job_clear(&job);
    return 0;
}

/* ---- config, plan */

static int read_files(void *arg, struct err *why)
{
    (void)arg;
    struct job j = {.seed = 4711};
    struct bench b = {0};
    int rc = setup_read(job_path, NULL, &j, &b, why);
    if (rc) {
        assert_int_equal(j.seed, 4711);
        return rc;
    }
    job_clear(&j);
    bench_clear(&b);
    return E_OK;
}

static int read_and_plan(void *arg, struct err *why)
{
    (void)arg;
    struct shoot_job s;
    int rc = shoot_job_read(job_path, NULL, &s, why);
    if (!rc) shoot_job_clear(&s);
    return rc;
}

static void bench_and_job_files(void **state)
{
    (void)state;
    allocations_sweep("config", read_files, NULL, NULL, 1);
    allocations_sweep("config and plan", read_and_plan, NULL, NULL, 1);
}

/* ---- run: an opened bench */

static int open_bench(void *arg, struct err *why)
{
    (void)arg;
    struct rig *rig = NULL;
    struct rig_opts o = {.bench = &job.bench,
                         .job = &job.job,
                         .plan = &job.plan,
                         .seed = 7,
                         .virtual_clock = true,
                         .workers = 2};
    int rc = bench_open(&o, &rig, why);
    assert_true(!rc || !rig);
    if (!rc) bench_close(rig);
    return rc;
}

static void an_opened_bench(void **state)
{
    (void)state;
    allocations_sweep("run: a bench opened", open_bench, NULL, NULL, 41);
}

/* ---- store */

static const struct stack_info INFO = {.kind = STACK_PLANNED,
                                       .name = "mem",
                                       .seed = 7,
                                       .bench_text = (char *)"bench",
                                       .job_text = (char *)"job",
                                       .created_wall_us = 978379200000000};

static int create(void *arg, struct err *why)
{
    char command[700];
    struct store *st = NULL;
    int rc = store_create(arg, &INFO, &st, why);
    if (rc) return rc;
    store_close(st);
    snprintf(command, sizeof command, "rm -r '%s'", (const char *)arg);
    assert_int_equal(system(command), 0);
    return E_OK;
}

/* Nothing, or (when it could not be opened any more) a whole new stack, to be gone on with. */
static void nothing_half(void *arg)
{
    char command[700];
    struct store *st;
    snprintf(command, sizeof command, "! ls -d '%s'?* 2>/dev/null", (const char *)arg);
    assert_int_equal(system(command), 0);
    if (!fs_exists(arg)) return;
    assert_int_equal(store_open(arg, false, &st, NULL), 0);
    store_close(st);
    snprintf(command, sizeof command, "rm -r '%s'", (const char *)arg);
    assert_int_equal(system(command), 0);
}

/* A whole exposure, each step repeated until it works, as a caller would who has found memory again. */
static int exposure(struct store *st, int64_t plan, int32_t slice, struct err *why)
{
    static const char bytes[] = "a frame";
    struct exposure_row row = {.purpose = PURPOSE_STACK, .plan_id = plan, .slice = slice};
    struct file_row file;
    char name[256];
    int rc = store_exposure_begin(st, &row, why);
    if (!rc) rc = store_exposure_seen(st, row.id, "OBJECT.JPG", sizeof bytes, why);
    if (!rc) rc = store_frame_name(name, sizeof name, &row, "jpg", why);
    if (!rc) rc = store_put_frame(st, name, bytes, sizeof bytes, &file, why);
    if (!rc) rc = store_exposure_kept(st, row.id, &file, 1, why);
    return rc;
}

static int32_t written;

static int write_stack(void *arg, struct err *why)
{
    char dir[600];
    struct store *st;
    int64_t plan;
    snprintf(dir, sizeof dir, "%s-%d", (const char *)arg, (int)++written);
    int rc = store_create(dir, &INFO, &st, why);
    if (rc) return rc;
    rc = store_add_plan(st, &job.plan, "", INFO.created_wall_us, &plan, why);
    for (int32_t i = 1; !rc && i <= 2; i++)
        rc = exposure(st, plan, i, why);
    if (!rc) rc = store_add_event(st, INFO.created_wall_us, "test", "text", "", why);
    store_close(st);
    return rc;
}

/* What is there is a stack, opens, and holds no frame that is not whole. */
static void consistent(void *arg)
{
    char dir[600];
    snprintf(dir, sizeof dir, "%s-%d", (const char *)arg, (int)written);
    if (fs_exists(dir)) small_check_consistent(dir);
}

static int read_stack(void *arg, struct err *why)
{
    struct store *st;
    struct stack_info info;
    struct frame_row *frames;
    struct exposure_row *rows;
    int32_t n;
    int rc = store_open(arg, true, &st, why);
    if (rc) return rc;
    rc = store_info(st, &info, why);
    if (!rc) stack_info_clear(&info);
    if (!rc) rc = store_frames(st, &frames, &n, why);
    if (!rc) mem_free(frames);
    if (!rc) rc = store_exposures(st, &rows, &n, why);
    if (!rc) mem_free(rows);
    store_close(st);
    return rc;
}

static void a_stack_folder(void **state)
{
    (void)state;
    char dir[600];
    snprintf(dir, sizeof dir, "%s", small_path("made"));
    allocations_sweep("store: made", create, nothing_half, dir, 1);
    allocations_sweep("store: written", write_stack, consistent, dir, 1);
    allocations_sweep("store: read", read_stack, NULL, stack, 1);
}

/* ---- check and report */

static int check(void *arg, struct err *why)
{
    const struct judgement *j = &((const struct judged_stack *)arg)->judged;
    const struct frame_measure *measures[64];
    struct verdict v;
    assert_true(j->frames <= 64);
    for (int32_t i = 0; i < j->frames; i++)
        measures[i] = &j->measures[i];
    struct check_input in = {.frames = j->frames,
                             .rows = j->rows,
                             .measures = measures,
                             .order = ORDER_NEAR_FIRST,
                             .source = judge_source(j)};
    int rc = check_stack(&in, &v, why);
    if (!rc) verdict_clear(&v);
    return rc;
}

static void the_verdict_and_its_page(void **state)
{
    (void)state;
    struct judged_stack s = {.dir = stack};
    judged_forget_derived(&s);
    judged_open(&s);
    assert_true(s.judged.verdict.weakest_count > 0); /* or none would be drawn */
    allocations_sweep("check", check, NULL, &s, 1);
    allocations_sweep("report: published", judged_publish, judged_has_no_page, &s, 1);
    judged_close(&s);
    allocations_sweep("report: judged by what is in derived/", judged_again, NULL, &s, 1);
    s.anew = true;
    allocations_sweep("report: judged anew", judged_again, NULL, &s, 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(bench_and_job_files),
        cmocka_unit_test(an_opened_bench),
        cmocka_unit_test(a_stack_folder),
        cmocka_unit_test(the_verdict_and_its_page),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
