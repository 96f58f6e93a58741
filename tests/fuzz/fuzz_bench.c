/* Bench files: bench_parse, then a plan of a fixed job on whatever bench came out. */
#include <math.h>
#include <stdlib.h>

#include "base/findings.h"
#include "config/config.h"
#include "plan/plan.h"
#include "tests/fuzz/yaml.h"

static const char job_text[] = "bench: x.yaml\nmagnification: 4\nnear_mm: 0\nfar_mm: 3.4\nexposure_s: 0.25\n";

static void in_range(const struct bench *b)
{
    FUZZ_HOLDS(b->camera.width_px >= 16 && b->camera.width_px <= 30000);
    FUZZ_HOLDS(b->camera.height_px >= 16 && b->camera.height_px <= 30000);
    FUZZ_HOLDS(b->camera.sensor_width_nm >= 1000000 && b->camera.sensor_width_nm <= 200000000);
    FUZZ_HOLDS(b->axis.lead_nm >= (b->axis.by_lens ? 1 : 10000) && b->axis.microsteps >= 1 &&
               b->axis.steps_per_rev >= 1);
    FUZZ_HOLDS(isfinite(b->lens.f_number) && isfinite(b->lens.effective_f_number) && isfinite(b->lens.na));
    FUZZ_HOLDS(b->lens.pupil_ratio >= 0.05 && b->lens.pupil_ratio <= 20);
    FUZZ_HOLDS((b->lens.f_number > 0) + (b->lens.effective_f_number > 0) + (b->lens.na > 0) == 1);
}

static void plan_on(const struct bench *b)
{
    struct job job;
    struct plan plan = {0};
    struct finding_list findings = {0};
    struct err why = {0};
    FUZZ_HOLDS(!job_parse(job_text, "job.yaml", &job, &why));
    const int rc = plan_make(b, &job, &plan, &findings, &why);
    FUZZ_HOLDS(rc == E_OK || rc == E_INPUT || rc == E_UNSUPPORTED); /* another kind of axis */
    FUZZ_HOLDS(rc || plan.slice_count > 0);
    findings_clear(&findings);
    plan_clear(&plan);
    job_clear(&job);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct bench bench;
    struct err why = {0};
    char *text = yaml_text(data, size);
    const int rc = bench_parse(text, "bench.yaml", &bench, &why);
    free(text);
    if (rc) {
        yaml_refusal(&why, rc, "bench.yaml");
        return 0;
    }
    in_range(&bench);
    plan_on(&bench);
    bench_clear(&bench);
    return 0;
}
