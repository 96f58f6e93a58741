#include "tests/support/calibration.h"

#include "tests/support/test.h"

void calibration_put(const char *name, const char *text)
{
    char path[600];
    snprintf(path, sizeof path, "%s/%s", test_folder(), name);
    FILE *f = fopen(path, "w");
    assert_non_null(f);
    fputs(text, f);
    fclose(f);
}

struct axis_session *calibration_open(void)
{
    char path[600];
    struct axis_session *s;
    struct err why = {0};
    snprintf(path, sizeof path, "%s/job.yaml", test_folder());
    const struct axis_session_opts o = {.job_path = path, .virtual_clock = true, .camera_too = true};
    int rc = axis_session_open(&o, &s, &why);
    if (!rc) rc = axis_session_ready(s, &why);
    if (!rc && s->rig->axis->ops->caps & AXIS_HOMES) rc = axis_session_home(s, &why);
    if (rc) fail_msg("%s", why.text);
    return s;
}
