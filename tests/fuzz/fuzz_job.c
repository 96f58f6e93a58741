/* Job files: job_parse, then a plan of whatever job came out on a fixed bench. What is kept of the text is
 * the text. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/findings.h"
#include "config/config.h"
#include "plan/plan.h"
#include "tests/fuzz/yaml.h"

static const char bench_text[] = "camera: {width_px: 1800, height_px: 1200, sensor_width_mm: 24}\n"
                                 "axis: {lead_mm: 2, steps_per_rev: 200, microsteps: 16, clearance_mm: 8}\n"
                                 "lens: {focal_length_mm: 35, f_number: 2.8}\n";

static void in_range(const struct job *j, const char *text)
{
    FUZZ_HOLDS(!strcmp(j->job_text, text) && !j->bench_text);
    FUZZ_HOLDS(j->name[0] && memchr(j->name, 0, sizeof j->name));
    FUZZ_HOLDS(isfinite(j->magnification) && isfinite(j->overlap) && isfinite(j->contrast_drop));
    FUZZ_HOLDS(j->magnification > 0 || j->field_width_nm > 0);
    FUZZ_HOLDS(j->near_nm <= j->far_nm);
    FUZZ_HOLDS(j->slices >= 0 && j->slices <= 4000);
}

static void plan_of(const struct job *j)
{
    struct bench bench;
    struct plan plan = {0};
    struct finding_list findings = {0};
    struct err why = {0};
    FUZZ_HOLDS(!bench_parse(bench_text, "bench.yaml", &bench, &why));
    const int rc = plan_make(&bench, j, &plan, &findings, &why);
    FUZZ_HOLDS(rc == E_OK || rc == E_INPUT);
    FUZZ_HOLDS(rc || plan.slice_count > 0);
    for (int32_t i = 1; !rc && i < plan.slice_count; i++)
        FUZZ_HOLDS(plan.slices[i].target_counts >= plan.slices[i - 1].target_counts);
    findings_clear(&findings);
    plan_clear(&plan);
    bench_clear(&bench);
}

/* A long path to the bench may fit here and not behind the folder's name. */
static bool sound_there(const char *text, const char *path)
{
    struct job job;
    struct err why = {0};
    const int rc = job_parse(text, path, &job, &why);
    if (rc) yaml_refusal(&why, rc, path);
    if (!rc) job_clear(&job);
    return !rc;
}

/* From files, with the bench that --bench names and with the one that the job names, which is not there. */
static void from_files(const uint8_t *data, size_t size, const char *text)
{
    static char job_path[128], bench_path[128];
    struct job job;
    struct bench bench;
    struct err why = {0};
    if (!job_path[0]) {
        snprintf(job_path, sizeof job_path, "%s/job.yaml", fuzz_folder());
        snprintf(bench_path, sizeof bench_path, "%s/bench.yaml", fuzz_folder());
        fuzz_write(bench_path, (const uint8_t *)bench_text, strlen(bench_text));
    }
    fuzz_write(job_path, data, size);
    int rc = setup_read(job_path, bench_path, &job, &bench, &why);
    FUZZ_HOLDS(rc == (sound_there(text, job_path) ? E_OK : E_INPUT));
    if (rc) return;
    FUZZ_HOLDS(!strcmp(job.bench_text, bench_text));
    bench_clear(&bench);
    const bool names_one = origin_line(&job.origins, "bench") != 0;
    job_clear(&job);
    rc = job_read(job_path, &job, &why);
    FUZZ_HOLDS(rc == E_OK || (rc == E_INPUT && names_one));
    if (!rc) job_clear(&job);
    rc = setup_read(job_path, NULL, &job, &bench, &why);
    if (rc) {
        yaml_refusal(&why, rc, job_path);
    } else { /* it names the one beside it */
        bench_clear(&bench);
        job_clear(&job);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct job job;
    struct err why = {0};
    char *text = yaml_text(data, size);
    const int rc = job_parse(text, "job.yaml", &job, &why);
    if (rc) {
        yaml_refusal(&why, rc, "job.yaml");
    } else {
        in_range(&job, text);
        plan_of(&job);
        job_clear(&job);
    }
    /* A file may hold a NUL, which ends the text here. */
    if (!memchr(data, 0, size)) from_files(data, size, text);
    free(text);
    return 0;
}
