/* cmd_axis.c - `staddle axis ACTION`: the axis by hand. What moves is told first, on stderr. */
#include <inttypes.h>
#include <string.h>
#include <unistd.h>

#include "base/json.h"
#include "base/units.h"
#include "cmd.h"
#include "cmd_axis_calibrate.h"
#include "cmd_axis_keys.h"
#include "cmd_length.h"
#include "cmd_person.h"
#include "run/axis_session.h"
#include "run/wishes.h"

#define LOOK_US    1000000
#define LOOKS_MOST 100000

static const struct option_row options[] = {
    {"home", NULL, "go, jog, park, calibrate: let the axis find its zero first"},
    {"at", "LENGTH", "calibrate: the middle of the way; default: of the job's ends, else where it stands"},
    {"save", NULL, "keys: the controller keeps all of them over a power cut"},
    {"times", "N", "watch: so many lines, then end"},
    {NULL, NULL, NULL},
};

struct axis_call {
    struct cmd *cmd;
    struct axis_session *session;
    const char *action;
    int64_t length_nm;              /* go, jog, set */
    struct axis_key_wish wish;      /* keys */
    bool wishes;                    /* there is one */
    bool from_known, counts_run_on; /* the same zero before and after */
    int64_t from_counts;
};

struct action {
    const char *name;
    bool takes_length, moves;
    int (*run)(struct axis_call *, json_t *result, struct err *);
};

/* ---- what is told */

static const char *known_word(enum axis_known k)
{
    static const char *const WORDS[] = {"unknown", "counted", "known"};
    return WORDS[k];
}

static json_t *place_json(const struct axis_session *s, int64_t counts, bool known)
{
    return known ? json_mm(axis_session_nm(s, counts)) : json_null();
}

static json_t *state_json(const struct axis_session *s)
{
    const struct axis_state *st = &s->state;
    const bool known = st->known != AXIS_UNKNOWN;
    json_t *out = json_object();
    json_object_set_new(out, "phase", json_text(axis_phase_text(st->phase)));
    json_object_set_new(out, "position", json_text(known_word(st->known)));
    json_object_set_new(out, "position_mm", place_json(s, st->position_counts, known));
    json_object_set_new(out, "position_counts", known ? json_integer(st->position_counts) : json_null());
    json_object_set_new(out, "uncertainty_um",
                        known ? json_um(axis_session_nm(s, st->uncertainty_counts)) : json_null());
    json_object_set_new(out, "homes", json_boolean(s->rig->axis->ops->caps & AXIS_HOMES));
    json_object_set_new(out, "why", st->why.code ? json_text(st->why.text) : json_null());
    return out;
}

static json_t *bound_json(const struct axis_session *s, bool known, int64_t counts, const char *from)
{
    json_t *out;
    if (!known) return json_null();
    out = json_object();
    json_object_set_new(out, "position_mm", json_mm(axis_session_nm(s, counts)));
    json_object_set_new(out, "from", json_text(from));
    return out;
}

static void describe(const struct axis_call *a, json_t *out)
{
    const struct axis_session *s = a->session;
    const struct axis_bounds *b = &s->bounds;
    const int64_t moved = s->state.position_counts - a->from_counts;
    json_object_set_new(out, "action", json_text(a->action));
    json_object_set_new(out, "axis", json_text(s->job.bench.axis.kind));
    json_object_set_new(out, "link",
                        s->job.bench.axis.link[0] ? json_text(s->job.bench.axis.link) : json_null());
    json_object_update_new(out, state_json(s));
    json_object_set_new(out, "from_mm", place_json(s, a->from_counts, a->from_known));
    json_object_set_new(out, "moved_um", a->counts_run_on ? json_um(axis_session_nm(s, moved)) : json_null());
    json_object_set_new(out, "smallest_move_um", json_um(axis_session_nm(s, 1)));
    json_object_set_new(out, "near_limit", bound_json(s, b->lo_known, b->lo_counts, b->lo_from));
    json_object_set_new(out, "far_limit", bound_json(s, b->hi_known, b->hi_counts, b->hi_from));
}

static void text_limits(FILE *out, const json_t *r)
{
    const json_t *lo = json_object_get(r, "near_limit"), *hi = json_object_get(r, "far_limit");
    if (json_is_object(lo))
        fprintf(out, "  not before %.4f mm: %s\n", json_get_number(lo, "position_mm"),
                json_get_text(lo, "from"));
    if (json_is_object(hi))
        fprintf(out, "  not beyond %.4f mm: %s\n", json_get_number(hi, "position_mm"),
                json_get_text(hi, "from"));
    else
        fputs("  nothing limits the way to the subject: that takes a JOB, and clearance_mm in the bench "
              "file\n",
              out);
}

static void text_state(FILE *out, const json_t *r)
{
    const char *why = json_get_text(r, "why");
    fprintf(out, "%s, ", json_get_text(r, "phase"));
    if (json_is_number(json_object_get(r, "position_mm")))
        fprintf(out, "%.4f mm, give or take %.4g um%s", json_get_number(r, "position_mm"),
                json_get_number(r, "uncertainty_um"),
                strcmp(json_get_text(r, "position"), "counted") ? "" : ", by counting");
    else
        fputs(json_is_true(json_object_get(r, "homes"))
                  ? "position unknown: it has not found its zero since it was switched on, so it can only jog"
              : !strcmp(json_get_text(r, "axis"), "lens")
                  ? "position unknown: it begins each run where it is focused by eye"
                  : "position unknown: somebody has to read its scale",
              out);
    fprintf(out, "%s%s\n", *why ? "; " : "", why);
}

static void text(FILE *out, const json_t *r)
{
    fprintf(out, "%s: ", json_get_text(r, "axis"));
    if (!strcmp(json_get_text(r, "action"), "jog") && json_is_number(json_object_get(r, "moved_um")))
        fprintf(out, "moved %+.4g um; ", json_get_number(r, "moved_um"));
    text_state(out, r);
    if (!strcmp(json_get_text(r, "action"), "show")) text_limits(out, r);
    axis_keys_text(out, r);
    cmd_axis_calibrate_text(out, r);
}

/* ---- the actions */

static int run_show(struct axis_call *a, json_t *out, struct err *why)
{
    (void)a, (void)out, (void)why;
    return E_OK;
}

static int run_home(struct axis_call *a, json_t *out, struct err *why)
{
    (void)out;
    return axis_session_home(a->session, why);
}

static int run_go(struct axis_call *a, json_t *out, struct err *why)
{
    (void)out;
    return axis_session_go(a->session, a->length_nm, why);
}

static int run_jog(struct axis_call *a, json_t *out, struct err *why)
{
    (void)out;
    return axis_session_jog(a->session, a->length_nm, why);
}

static int run_park(struct axis_call *a, json_t *out, struct err *why)
{
    (void)out;
    return axis_session_park(a->session, why);
}

static int run_set(struct axis_call *a, json_t *out, struct err *why)
{
    (void)out;
    return axis_session_here(a->session, a->length_nm, why);
}

static int run_keys(struct axis_call *a, json_t *out, struct err *why)
{
    return axis_keys_run(a->session, a->wishes ? &a->wish : NULL, cmd_flag(a->cmd, "save"), out, why);
}

static int run_calibrate(struct axis_call *a, json_t *out, struct err *why)
{
    return cmd_axis_calibrate(a->cmd, a->session, out, why);
}

static void on_key(void *arg)
{
    struct axis_call *a = arg;
    char drop[256];
    if (read(STDIN_FILENO, drop, sizeof drop) > 0)
        bench_wish(a->session->rig);
    else
        sched_unwatch(a->session->rig->sched, STDIN_FILENO); /* nobody is there to press one */
}

/* One line a second until Enter or Ctrl-C. As JSON the looks come all at once, at the end. */
static int run_watch(struct axis_call *a, json_t *out, struct err *why)
{
    double times = LOOKS_MOST;
    struct sched *sched = a->session->rig->sched;
    json_t *looks = json_array();
    json_object_set_new(out, "looks", looks);
    int rc = cmd_number(a->cmd, "times", 1, LOOKS_MOST, &times, why);
    if (!rc && !sched_is_virtual(sched) && isatty(STDIN_FILENO))
        rc = sched_watch(sched, STDIN_FILENO, on_key, a, why);
    const bool tell = !cmd_json(a->cmd) && !cmd_quiet(a->cmd);
    for (int n = 1; !rc; n++) {
        json_t *now = state_json(a->session);
        if (tell) {
            text_state(stdout, now);
            fflush(stdout);
        }
        json_array_append_new(looks, now);
        if (n >= (int)times || axis_session_pass(a->session, LOOK_US)) break;
    }
    sched_unwatch(sched, STDIN_FILENO);
    return rc;
}

static const struct action actions[] = {
    {"show", false, false, run_show},
    {"home", false, true, run_home},
    {"go", true, true, run_go},
    {"jog", true, true, run_jog},
    {"park", false, true, run_park},
    {"set", true, false, run_set},
    {"watch", false, false, run_watch},
    {"keys", false, false, run_keys},
    {"calibrate", false, true, run_calibrate},
};

static int find_action(const char *name, const struct action **out, struct err *why)
{
    for (size_t i = 0; i < sizeof actions / sizeof *actions; i++)
        if (!strcmp(actions[i].name, name)) {
            *out = &actions[i];
            return E_OK;
        }
    return fail(why, E_INPUT, "axis %.40s: say show, home, go, jog, park, set, watch, keys or calibrate",
                name);
}

/* ---- all of it */

static void tell_move(void *arg, const char *sentence)
{
    if (!cmd_quiet(arg)) fprintf(stderr, "%s\n", sentence);
}

static int work(struct axis_call *a, const struct action *act, json_t *out, struct err *why)
{
    struct axis_session *s = a->session;
    int rc = axis_session_ready(s, why);
    if (!rc && act->run == run_go) rc = axis_session_check(s, a->length_nm, why);
    if (!rc && act->moves && act->run != run_home && cmd_flag(a->cmd, "home")) rc = axis_session_home(s, why);
    if (rc) return rc;
    const bool homes = s->rig->axis->ops->caps & AXIS_HOMES;
    a->from_known = s->state.known != AXIS_UNKNOWN;
    a->counts_run_on = act->moves && act->run != run_home && (homes || a->from_known);
    a->from_counts = s->state.position_counts;
    return act->run(a, out, why);
}

static int check_operands(struct axis_call *a, const struct action *act, const char **job, struct err *why)
{
    const char *second = cmd_operand(a->cmd, 1);
    a->wishes = act->run == run_keys && second && strchr(second, '=');
    const int job_at = act->takes_length || a->wishes ? 2 : 1;
    int rc = a->wishes ? axis_keys_parse(second, &a->wish, why) : E_OK;
    if (rc) return rc;
    *job = cmd_operand(a->cmd, job_at);
    if (act->takes_length) {
        if (!cmd_operand(a->cmd, 1))
            return fail(why, E_INPUT, "axis %s needs %s, e.g. 3.4mm", act->name,
                        act->run == run_jog ? "a distance" : "a position");
        rc = cmd_length(act->name, cmd_operand(a->cmd, 1), &a->length_nm, why);
        if (rc) return rc;
    }
    if (cmd_operand(a->cmd, job_at + 1))
        return fail(why, E_INPUT, "axis %s: one operand too many: %s", act->name,
                    cmd_operand(a->cmd, job_at + 1));
    if (!*job && act->run == run_calibrate)
        return fail(why, E_INPUT,
                    "axis calibrate needs a JOB: its magnification and exposure are those of the pictures");
    if (!*job && !cmd_text(a->cmd, "bench"))
        return fail(why, E_INPUT, "axis %s: say which bench: a JOB, or --bench FILE", act->name);
    return E_OK;
}

static int run(struct cmd *c, struct err *why)
{
    const struct action *act;
    struct axis_call a = {.cmd = c};
    const struct person person = cmd_person();
    struct axis_session_opts o = {
        .bench_path = cmd_text(c, "bench"), .rig.person = &person, .tell = tell_move, .arg = c};
    int rc = find_action(cmd_operand(c, 0), &act, why);
    if (!rc) rc = check_operands(&a, act, &o.job_path, why);
    if (!rc) o.camera_too = o.virtual_if_simulated = act->run == run_calibrate;
    if (!rc) rc = wishes_listen(why);
    if (!rc) rc = axis_session_open(&o, &a.session, why);
    if (rc) return rc;
    a.action = act->name;
    json_t *out = cmd_result(c);
    rc = work(&a, act, out, why);
    describe(&a, out);
    const bool grave = cmd_axis_calibrate_grave(out);
    if (rc || (act->run == run_watch && !cmd_json(c)))
        json_decref(out);
    else
        cmd_print(c, out, text);
    axis_session_close(a.session);
    wishes_ignore();
    return !rc && grave ? 1 : rc;
}

const struct verb verb_axis = {
    .name = "axis",
    .operands = "ACTION [LENGTH | NAME=N] [JOB]",
    .least = 1,
    .most = 3,
    .summary = "move the axis by hand, or see where it stands",
    .about =
        "For one axis, that of the JOB's bench or of --bench FILE:\n"
        "\n"
        "  show          where it stands, and its limits\n"
        "  home          finds its zero, at the near end\n"
        "  go 3.4mm      to that position\n"
        "  jog -20um     by that distance, also where the position is unknown\n"
        "  park          to the near end, as far from the subject as it goes\n"
        "  set 3.4mm     moves nothing: the place where it stands is called so until the next home\n"
        "  watch         a line a second, until Enter or Ctrl-C\n"
        "  keys          what its controller keeps by itself: speeds, switches, which way the motor turns\n"
        "  keys NAME=N   sets one of these; with --save all are kept over a power cut, else until then\n"
        "  calibrate     takes pictures on the way forth and back, of a ruler that lies aslant (about 45\n"
        "                degrees) or of anything else that is deep and has fine detail all over, and tells "
        "the\n"
        "                play, which moves lose steps and how many (status 1 then), and how well a place is "
        "met\n"
        "                again; the play goes to NAME.measured.yaml beside the bench file, which comes "
        "before\n"
        "                what the bench file says\n"
        "\n"
        "Positions grow away from the camera, deeper into the subject; a length has its unit, mm or um. "
        "What\n"
        "moves says so first. An axis that has not found its zero since it was switched on can only jog. A\n"
        "place beyond a limit is refused; with a JOB the way to the subject is limited by the bench file's\n"
        "clearance_mm from the near mark on. Ctrl-C halts, with status 3.\n"
        "\n"
        "A simulated rail is switched on anew by each command, so it knows no position: add --home.",
    .options = options,
    .run = run,
};
