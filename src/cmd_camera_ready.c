#include "cmd_camera_ready.h"

#include <string.h>

#include "base/findings.h"
#include "base/json.h"
#include "run/ready_ask.h"

static json_t *facts_json(const struct ready *r)
{
    static const char *const words[] = {"not told", "good", "wrong"};
    json_t *all = json_object();
    for (int f = 0; f < READY_FACTS; f++)
        json_object_set_new(all, ready_name((enum ready_fact)f), json_string(words[r->states[f]]));
    return all;
}

int cmd_camera_ready(struct cmd *c, struct camera_session *s, json_t *out, struct err *why)
{
    struct ready r;
    bool asked;
    if (cmd_operand_count(c) > 2) return fail(why, E_INPUT, "camera ready takes one file: a bench or a job");
    const int32_t frames = s->job_given ? s->job.plan.slice_count + 1 : 0;
    const int64_t from_us = sched_now_us(s->rig->sched);
    int rc = ready_ask(s->rig, &s->job, frames, &asked, &r, why);
    if (!rc && !asked)
        rc = fail(why, E_UNSUPPORTED, "%s: tells nothing of its settings; look at them yourself",
                  camera_name(s->rig->camera));
    if (rc) return rc;
    json_object_set_new(out, "findings", findings_json(&r.findings));
    json_object_set_new(out, "ready", json_boolean(!findings_grave(&r.findings)));
    json_object_set_new(out, "frames", frames ? json_integer(frames) : json_null());
    json_object_set_new(out, "facts", facts_json(&r));
    json_object_set_new(out, "took_s",
                        json_rounded((double)(sched_now_us(s->rig->sched) - from_us) / 1e6, 2));
    ready_clear(&r);
    return E_OK;
}

void cmd_camera_text_ready(FILE *out, const json_t *r)
{
    const char *name;
    json_t *state;
    int good = 0, all = 0;
    json_object_foreach(json_object_get(r, "facts"), name, state)
    {
        good += !strcmp(json_string_value(state), "good");
        all++;
    }
    fprintf(out, "%s: %d of %d settings are known to be right",
            json_is_true(json_object_get(r, "ready")) ? "ready" : "not ready", good, all);
    if (json_is_number(json_object_get(r, "frames")))
        fprintf(out, ", for %.0f frames", json_get_number(r, "frames"));
    fputc('\n', out);
    cmd_print_findings(out, r);
}
