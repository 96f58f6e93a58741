#include "tests/support/small.h"

#include <sys/stat.h>

#include "base/mem.h"
#include "store/store.h"
#include "tests/support/test.h"

const char *small_path(const char *name)
{
    static char room[8][512];
    static int turn;
    char *out = room[turn++ % 8];
    snprintf(out, sizeof room[0], "%s/%s", test_folder(), name);
    return out;
}

static FILE *open_file(const char *name, const char *tail)
{
    char file[128];
    snprintf(file, sizeof file, "%s%s", name, tail);
    FILE *f = fopen(small_path(file), "w");
    assert_non_null(f);
    return f;
}

void small_job(const char *name, const struct small *s, struct shoot_job *out)
{
    char file[128];
    FILE *f = open_file(name, "-bench.yaml");
    fprintf(f,
            "name: test bench\ncamera:\n  %s\n  width_px: %d\n  height_px: %d\n  sensor_width_mm: "
            "24\n"
            "  shutter_lag_ms: 50\n  sync_s: 0.005\naxis:\n  kind: rail\n  link: simulated\n  lead_mm: 2\n"
            "  steps_per_rev: 200\n  microsteps: 16\n  clearance_mm: 8\n  backlash_um: 20\n  speed_mm_per_s: "
            "2\n%s"
            "lens:\n  focal_length_mm: 35\n  f_number: 2.8\nlight:\n  kind: %s\n%s",
            s->camera ? s->camera : "kind: simulated", s->width_px ? s->width_px : 160,
            s->height_px ? s->height_px : 120, s->rings ? "  ring_hz: 12\n  ring_zeta: 0.03\n" : "",
            s->flash ? "flash" : "continuous", s->flash ? "  recycle_s: 2\n" : "");
    fclose(f);
    f = open_file(name, "-job.yaml");
    fprintf(f, "name: test job\nbench: %s-bench.yaml\nmagnification: 4\nnear_mm: 0\nfar_mm: 2\nslices: %d\n",
            name, s->slices ? s->slices : 6);
    fprintf(f, "exposure_s: %g\nstart_delay_s: %g\nseed: 7\n", s->exposure_s > 0 ? s->exposure_s : 0.25,
            s->start_delay_s);
    if (s->settle_ms > 0) fprintf(f, "settle_ms: %g\n", s->settle_ms);
    if (s->scene)
        fprintf(f, "scene:\n%s", s->scene);
    else
        fputs("scene: clock\n", f);
    if (s->job) fputs(s->job, f);
    fclose(f);
    snprintf(file, sizeof file, "%s-job.yaml", name);
    struct err why = {0};
    if (shoot_job_read(small_path(file), NULL, out, &why)) {
        print_error("%s\n", why.text);
        assert_true(false);
    }
}

static struct store *open_store(const char *dir)
{
    struct store *st;
    struct err why = {0};
    if (store_open(dir, true, &st, &why)) {
        print_error("%s\n", why.text);
        assert_true(false);
    }
    return st;
}

static void count(const struct exposure_row *e, int n, struct small_counts *out)
{
    for (int i = 0; i < n; i++) {
        out->firing += e[i].state == EXPOSURE_FIRING;
        out->seen += e[i].state == EXPOSURE_SEEN;
        out->lost += e[i].state == EXPOSURE_LOST;
        out->doubtful += e[i].state == EXPOSURE_DOUBTFUL;
        out->failed += e[i].state == EXPOSURE_FAILED;
        out->kept += e[i].state == EXPOSURE_KEPT && e[i].purpose == PURPOSE_STACK;
        out->references += e[i].state == EXPOSURE_KEPT && e[i].purpose == PURPOSE_REFERENCE;
        out->closing += e[i].state == EXPOSURE_KEPT && e[i].purpose == PURPOSE_CLOSING;
    }
}

/* The file is there, and sha256sum (GNU coreutils), not our own code, agrees with what the store says of it.
 */
static void check_file(const char *dir, const struct file_row *f)
{
    char command[1024], path[700];
    struct stat st;
    snprintf(path, sizeof path, "%s/frames/%s", dir, f->name);
    assert_int_equal(stat(path, &st), 0);
    assert_int_equal(st.st_size, f->bytes);
    assert_int_equal(st.st_mode & 0222, 0);
    snprintf(command, sizeof command, "echo '%s  %s' | sha256sum --check --status", f->sha256, path);
    assert_int_equal(system(command), 0);
}

static void check_files(struct store *st, const char *dir, const struct exposure_row *e, int n)
{
    for (int i = 0; i < n; i++) {
        struct file_row *files;
        int32_t count;
        if (e[i].state != EXPOSURE_KEPT) continue;
        assert_int_equal(store_files(st, e[i].id, &files, &count, NULL), 0);
        assert_int_equal(count, 1);
        check_file(dir, &files[0]);
        mem_free(files);
    }
}

static int kept_of(const struct exposure_row *e, int n, int32_t slice)
{
    int kept = 0;
    for (int i = 0; i < n; i++)
        kept += e[i].purpose == PURPOSE_STACK && e[i].state == EXPOSURE_KEPT && e[i].slice == slice;
    return kept;
}

static void check(const char *dir, bool whole, struct small_counts *out)
{
    struct store *st = open_store(dir);
    struct exposure_row *e;
    struct slice_row *slices;
    int32_t n, slice_count;
    assert_int_equal(store_exposures(st, &e, &n, NULL), 0);
    assert_int_equal(store_slices(st, 0, &slices, &slice_count, NULL), 0);
    *out = (struct small_counts){.slices = slice_count};
    count(e, n, out);
    check_files(st, dir, e, n);
    for (int32_t i = 0; i < slice_count; i++) {
        int kept = kept_of(e, n, slices[i].number);
        if (whole ? kept != 1 : kept > 1)
            print_error("slice %d has %d kept frames\n", (int)slices[i].number, kept);
        assert_true(whole ? kept == 1 : kept <= 1);
    }
    mem_free(slices);
    mem_free(e);
    store_close(st);
}

void small_count(const char *dir, struct small_counts *out)
{
    check(dir, false, out);
}

void small_check_consistent(const char *dir)
{
    struct small_counts n;
    check(dir, false, &n);
}

void small_check_whole(const char *dir, bool with_closing)
{
    struct small_counts n;
    check(dir, true, &n);
    assert_int_equal(n.kept, n.slices);
    assert_int_equal(n.firing + n.seen + n.doubtful, 0);
    assert_int_equal(n.closing, with_closing ? 1 : 0);
}
