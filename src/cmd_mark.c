/* cmd_mark.c - `staddle mark near|far|+DISTANCE JOB`: an end of the subject, judged by eye where the axis
 * stands, goes to the job's measured file. Nothing moves. */
#include <string.h>

#include "base/findings.h"
#include "base/json.h"
#include "base/units.h"
#include "cmd.h"
#include "cmd_length.h"
#include "config/config.h"
#include "config/marks.h"
#include "plan/plan.h"
#include "run/axis_session.h"
#include "run/wishes.h"

static const struct option_row options[] = {
    {"at", "POSITION", "the axis is at this position, e.g. 3.4mm: it is not asked"},
    {NULL, NULL, NULL},
};

enum end_wanted { END_NEAR, END_FAR, END_DEPTH };

struct marking {
    struct cmd *cmd;
    const char *job_path;
    enum end_wanted end;
    int64_t depth_nm; /* DEPTH */
    int64_t position_nm, uncertainty_nm;
    bool told; /* by --at, or worked out: the axis was not asked */
    struct job job;
    struct bench bench;
    struct marks marks;
    struct finding_list findings;
};

static int parse_end(struct marking *m, struct err *why)
{
    const char *word = cmd_operand(m->cmd, 0);
    if (!strcmp(word, "near") || !strcmp(word, "far")) {
        m->end = *word == 'n' ? END_NEAR : END_FAR;
        return E_OK;
    }
    m->end = END_DEPTH;
    if (*word != '+') return fail(why, E_INPUT, "mark %.40s: say near, far, or a depth such as +2.5mm", word);
    int rc = cmd_length("mark", word, &m->depth_nm, why);
    if (!rc && m->depth_nm <= 0)
        rc = fail(why, E_INPUT, "mark %.40s: the far end lies deeper than the near one", word);
    if (!rc && cmd_text(m->cmd, "at"))
        rc = fail(why, E_INPUT, "mark +DISTANCE goes on from the near mark; leave --at out");
    return rc;
}

/* By eye, a place is as sharp as its neighbours within half the depth of field. */
static int64_t eye_nm(const struct marking *m)
{
    struct plan_optics o;
    return plan_optics_make(&m->bench, &m->job, &o, NULL) ? 0 : nm_from_um(o.dof_um / 2);
}

static void tell_move(void *arg, const char *sentence)
{
    (void)arg, (void)sentence; /* nothing moves here */
}

static int ask_axis(struct marking *m, struct err *why)
{
    struct axis_session *s;
    const struct axis_session_opts o = {
        .job_path = m->job_path, .bench_path = cmd_text(m->cmd, "bench"), .tell = tell_move};
    int rc = wishes_listen(why);
    if (!rc) rc = axis_session_open(&o, &s, why);
    if (rc) return rc;
    rc = axis_session_ready(s, why);
    if (!rc && s->state.phase != AXIS_REST)
        rc = fail(why, E_STATE, "the axis is %s, not at rest; mark when it stands still",
                  axis_phase_text(s->state.phase));
    if (!rc && s->state.known == AXIS_UNKNOWN && (s->rig->axis->ops->caps & AXIS_BY_PICTURE))
        rc = fail(
            why, E_STATE,
            "a lens cannot be asked where it stands; focus it by eye on the nearest point before the run, "
            "and write depth_mm in the job file");
    else if (!rc && s->state.known == AXIS_UNKNOWN && !(s->rig->axis->ops->caps & AXIS_HOMES))
        rc = fail(
            why, E_STATE,
            "a knob cannot be asked where it stands; read its scale and say so with --at, e.g. --at 3.4mm");
    if (!rc && s->state.known == AXIS_UNKNOWN)
        rc = fail(why, E_STATE,
                  "the axis does not know where it stands, so this place cannot be marked; let it find its "
                  "zero with 'staddle axis home' and go there again, or say the position with --at");
    if (!rc) {
        m->position_nm = axis_session_nm(s, s->state.position_counts);
        m->uncertainty_nm = axis_session_nm(s, s->state.uncertainty_counts);
    }
    axis_session_close(s);
    wishes_ignore();
    return rc;
}

/* The near end that a depth goes on from: marked for this composition, or as the job file says. */
static int depth_from_near(struct marking *m, struct err *why)
{
    const bool marked = m->marks.near_end.at[0] && !m->marks.shot_at[0];
    if (!marked && m->marks.near_end.at[0])
        return fail(why, E_STATE, "the near mark of %s was for the stack before; 'staddle mark near' first",
                    m->marks.near_end.at);
    if (!marked && origin_line(&m->job.origins, "near_mm") == 0)
        return fail(why, E_STATE,
                    "a depth goes on from the near mark, and there is none; 'staddle mark near' first");
    m->position_nm = (marked ? m->marks.near_end.position_nm : m->job.near_nm) + m->depth_nm;
    m->uncertainty_nm = marked ? m->marks.near_end.uncertainty_nm : 0;
    return E_OK;
}

static int find_place(struct marking *m, struct err *why)
{
    const char *at = cmd_text(m->cmd, "at");
    m->told = at || m->end == END_DEPTH;
    if (m->end == END_DEPTH) return depth_from_near(m, why);
    int rc = at ? cmd_length("--at", at, &m->position_nm, why) : ask_axis(m, why);
    if (!rc) m->uncertainty_nm += eye_nm(m);
    return rc;
}

static int drop(struct marking *m, struct mark *other, const char *because, struct err *why)
{
    const struct finding_about about = {.code = "mark-void", .advice = "mark that end, too"};
    if (!other->at[0]) return E_OK;
    int rc = finding_add(
        &m->findings, about, why, "the %s mark, %.4f mm of %s, %s and does not hold any more",
        other == &m->marks.near_end ? "near" : "far", mm_from_nm(other->position_nm), other->at, because);
    *other = (struct mark){0};
    return rc;
}

/* A mark of the composition before does not go with a new one, nor one that lies on the wrong side of it. */
static int drop_void(struct marking *m, struct err *why)
{
    struct mark *other = m->end == END_NEAR ? &m->marks.far_end : &m->marks.near_end;
    const bool shot = m->marks.shot_at[0];
    const bool wrong =
        m->end == END_NEAR ? other->position_nm < m->position_nm : other->position_nm > m->position_nm;
    m->marks.shot_at[0] = '\0';
    if (shot) return drop(m, other, "was for the stack before", why);
    return wrong ? drop(m, other, "lies on the wrong side of this one", why) : E_OK;
}

static int put_mark(struct marking *m, struct err *why)
{
    struct mark *mine = m->end == END_NEAR ? &m->marks.near_end : &m->marks.far_end;
    struct sched *clock = sched_new_real(why);
    if (!clock) return E_NOMEM;
    json_t *now = json_utc(sched_wall_us(clock));
    sched_free(clock);
    int rc = drop_void(m, why);
    if (!rc) {
        *mine = (struct mark){.position_nm = m->position_nm, .uncertainty_nm = m->uncertainty_nm};
        snprintf(mine->at, sizeof mine->at, "%s", json_string_value(now));
        if (m->end == END_DEPTH)
            snprintf(mine->how, sizeof mine->how, "%.4f mm beyond near", mm_from_nm(m->depth_nm));
        else
            snprintf(mine->how, sizeof mine->how, "%s", m->told ? "by eye, position told" : "by eye");
    }
    json_decref(now);
    return rc ? rc : marks_write(m->job_path, &m->marks, why);
}

/* ---- telling */

static json_t *mark_json(const struct mark *k)
{
    if (!k->at[0]) return json_null();
    json_t *out = json_object();
    json_object_set_new(out, "position_mm", json_mm(k->position_nm));
    json_object_set_new(out, "uncertainty_um", json_um(k->uncertainty_nm));
    json_object_set_new(out, "at", json_text(k->at));
    json_object_set_new(out, "how", json_text(k->how));
    return out;
}

static void text_mark(FILE *out, const json_t *r, const char *end)
{
    const json_t *k = json_object_get(r, end);
    if (!json_is_object(k))
        fprintf(out, "  %-5s not marked\n", end);
    else
        fprintf(out, "  %-5s %.4f mm, give or take %.3g um, %s\n", end, json_get_number(k, "position_mm"),
                json_get_number(k, "uncertainty_um"), json_get_text(k, "how"));
}

static void text(FILE *out, const json_t *r)
{
    fprintf(out, "marked, in %s:\n", json_get_text(r, "file"));
    text_mark(out, r, "near");
    text_mark(out, r, "far");
    cmd_print_findings(out, r);
}

static int tell(struct marking *m, struct err *why)
{
    char path[PATH_ROOM];
    int rc = marks_path(m->job_path, path, why);
    if (rc) return rc;
    json_t *out = cmd_result(m->cmd);
    json_object_set_new(out, "findings", findings_json(&m->findings));
    json_object_set_new(out, "file", json_text(path));
    json_object_set_new(out, "near", mark_json(&m->marks.near_end));
    json_object_set_new(out, "far", mark_json(&m->marks.far_end));
    cmd_print(m->cmd, out, text);
    return E_OK;
}

static int run(struct cmd *c, struct err *why)
{
    struct marking m = {.cmd = c, .job_path = cmd_operand(c, 1)};
    int rc = parse_end(&m, why);
    if (!rc) rc = setup_read(m.job_path, cmd_text(c, "bench"), &m.job, &m.bench, why);
    if (rc) return rc;
    rc = marks_read(m.job_path, &m.marks, why);
    if (!rc) rc = find_place(&m, why);
    if (!rc) rc = put_mark(&m, why);
    if (!rc) rc = tell(&m, why);
    findings_clear(&m.findings);
    job_clear(&m.job);
    bench_clear(&m.bench);
    return rc;
}

const struct verb verb_mark = {
    .name = "mark",
    .operands = "END JOB",
    .least = 2,
    .most = 2,
    .summary = "mark the near or far end of the subject, by eye",
    .about =
        "Notes where the axis stands as an end of the subject: 'near' the part that is nearest to the "
        "camera,\n"
        "'far' the deepest one, each when it looks sharp. '+2.5mm' instead of far: so deep beyond the near\n"
        "mark. Nothing moves, and the job file stays as it is: marks go to NAME.measured.yaml beside it, "
        "with\n"
        "their uncertainty, when and how, and come before the job file's near_mm and far_mm.\n\n"
        "Marks hold for one composition. Once a stack was begun with them they are void, and the first mark\n"
        "after that drops the other one.",
    .options = options,
    .run = run,
};
