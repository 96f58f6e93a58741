#include "cmd_again.h"

#include <stdio.h>
#include <string.h>

#include "base/findings.h"
#include "base/fs.h"
#include "base/json.h"
#include "base/units.h"
#include "config/config.h"
#include "config/marks.h"

int cmd_again_choose(const struct cmd *c, struct again *out, struct err *why)
{
    bool there;
    *out = (struct again){.cmd = c, .job = cmd_operand(c, 0), .bench = cmd_text(c, "bench"), .folder = "."};
    if (out->job) return E_OK;
    int rc = last_job_read(&out->last, &there, why);
    if (rc) return rc;
    if (!there)
        return fail(why, E_INPUT, "run: no job was shot before, so there is none to repeat; name a JOB");
    out->repeated = true;
    out->job = out->last.job;
    out->folder = out->last.folder;
    if (!out->bench && out->last.bench[0]) out->bench = out->last.bench;
    if (!cmd_quiet(c)) fprintf(stderr, "again: %s\n", out->job);
    return E_OK;
}

int cmd_again_stack(const struct cmd *c, char out[PATH_ROOM], struct err *why)
{
    struct last_job last;
    bool there = false;
    const char *named = cmd_operand(c, 0);
    int rc = named ? E_OK : last_job_read(&last, &there, why);
    if (rc) return rc;
    if (!named && (!there || !last.stack[0]))
        return fail(why, E_INPUT, "no stack was begun before; name a STACK, see --help");
    if (!named && !fs_exists(last.stack))
        return fail(why, E_INPUT, "%.300s, begun last, is there no more; name a STACK", last.stack);
    if (snprintf(out, PATH_ROOM, "%s", named ? named : last.stack) >= PATH_ROOM)
        return fail(why, E_INPUT, "%.60s...: the path is too long", named ? named : last.stack);
    return E_OK;
}

/* Said before anything moves, when it can still be stopped, and kept as a finding. */
static int warn(const struct again *a, struct shoot_job *s, const char *code, const char *advice,
                const char *text, struct err *why)
{
    if (!cmd_quiet(a->cmd)) fprintf(stderr, "%s; %s\n", text, advice);
    return finding_add(&s->findings, (struct finding_about){.code = code, .advice = advice}, why, "%s", text);
}

int cmd_again_check_marks(const struct again *a, struct shoot_job *s, struct err *why)
{
    const struct job *j = &s->job;
    const bool marked = j->near_mark.at[0] || j->far_mark.at[0];
    char text[200];
    if (marked && !j->marks_shot_at[0]) return E_OK;
    if (marked && a->repeated)
        return fail(
            why, E_STATE,
            "near and far were marked for the stack of %s, not for this composition; 'staddle mark near' "
            "and 'mark far' first, or 'staddle run %.200s' to shoot between the same marks again",
            j->marks_shot_at, a->job);
    if (marked) {
        snprintf(text, sizeof text, "near %.4f mm and far %.4f mm were marked for the stack of %s",
                 mm_from_nm(j->near_nm), mm_from_nm(j->far_nm), j->marks_shot_at);
        return warn(a, s, "marks-again",
                    "if the set was composed anew since, stop and mark near and far again", text, why);
    }
    if (!a->repeated || j->depth_kind != DEPTH_MARKS) return E_OK;
    snprintf(text, sizeof text, "near %.4f mm and far %.4f mm are those that the job file says",
             mm_from_nm(j->near_nm), mm_from_nm(j->far_nm));
    return warn(a, s, "marks-written", "if they do not fit this composition, stop and mark near and far",
                text, why);
}

static void note(struct again *a, const struct err *why)
{
    const struct finding_about about = {.code = "not-remembered",
                                        .advice = "name the JOB next time, and mark near and far again"};
    finding_add(&a->notes, about, NULL, "%s", why->text);
}

static int remember(const struct again *a, int64_t wall_us, struct err *why)
{
    struct last_job l = {.begun_wall_us = wall_us};
    int rc = last_job_absolute(a->job, l.job, why);
    if (!rc && a->bench) rc = last_job_absolute(a->bench, l.bench, why);
    if (!rc) rc = last_job_absolute(a->folder, l.folder, why);
    if (!rc) rc = last_job_absolute(a->stack, l.stack, why);
    return rc ? rc : last_job_write(&l, why);
}

void cmd_again_begun(struct again *a, int64_t wall_us)
{
    struct err why = {0};
    json_t *at = json_utc(wall_us);
    if (marks_note_shot(a->job, json_string_value(at), &why)) note(a, &why);
    if (remember(a, wall_us, &why)) note(a, &why);
    json_decref(at);
}
