#include "cmd_shoot.h"

#include <inttypes.h>
#include <math.h>
#include <string.h>
#include <unistd.h>

#include "base/findings.h"
#include "base/json.h"
#include "base/units.h"
#include "cmd_again.h"
#include "cmd_evening.h"
#include "cmd_person.h"
#include "run/wishes.h"
#include "store/evening.h"

#define SEED_MOST 9007199254740992.0 /* 2^53: a double holds every whole number up to there */

static void span(int64_t us, char out[32])
{
    int64_t s = (us + US_PER_S / 2) / US_PER_S;
    if (us < 0)
        snprintf(out, 32, "?");
    else if (s >= 3600)
        snprintf(out, 32, "%" PRId64 ":%02d:%02d", s / 3600, (int)(s / 60 % 60), (int)(s % 60));
    else
        snprintf(out, 32, "%d:%02d", (int)(s / 60), (int)(s % 60));
}

static void progress(void *arg, const struct run_progress *p)
{
    struct shoot_progress *sp = arg;
    char left[32], where[32];
    int32_t tenth = p->total ? p->kept * 10 / p->total : 0;
    if (!sp->terminal && !sp->each && !p->news && tenth == sp->last_tenth) return;
    sp->last_tenth = tenth;
    span(p->eta_us, left);
    if (p->slice)
        snprintf(where, sizeof where, "slice %" PRId32 " %s", p->slice, p->doing);
    else
        snprintf(where, sizeof where, "%s frame %s", p->quiet ? "quiet" : "closing", p->doing);
    fprintf(stderr, "%s%" PRId32 " of %" PRId32 " %s, %s left, %s%s%s%s", sp->terminal ? "\r" : "", p->kept,
            p->total, p->on_card ? "fired" : "kept", left, where, *p->finding ? "; " : "", p->finding,
            sp->terminal ? "\033[K" : "\n");
    sp->shown = true;
}

void cmd_shoot_watch(const struct cmd *c, struct shoot_progress *sp, struct shoot_opts *o)
{
    *sp = (struct shoot_progress){.terminal = isatty(STDERR_FILENO), .each = cmd_verbose(c)};
    if (cmd_json(c) || cmd_quiet(c)) return;
    o->progress = progress;
    o->progress_arg = sp;
}

void cmd_shoot_watch_end(struct shoot_progress *sp)
{
    if (sp->terminal && sp->shown) fputs("\r\033[K", stderr);
}

int cmd_shoot_options(const struct cmd *c, struct shoot_opts *o, struct err *why)
{
    double workers = 0, seed = 0;
    int rc = cmd_number(c, "workers", 1, 64, &workers, why);
    if (!rc) rc = cmd_number(c, "seed", 0, SEED_MOST, &seed, why);
    if (rc) return rc;
    if (workers != (int)workers) return fail(why, E_INPUT, "--workers: give a whole number");
    if (seed != (double)(uint64_t)seed) return fail(why, E_INPUT, "--seed: give a whole number");
    o->workers = (int)workers;
    o->seed_given = cmd_text(c, "seed") != NULL;
    o->seed = (uint64_t)seed;
    return E_OK;
}

/* --stack, or the next free place of tonight. */
static int choose_dir(const struct cmd *c, const char *folder, bool virtual_clock, char out[PATH_ROOM],
                      struct err *why)
{
    const char *given = cmd_text(c, "stack");
    if (given) {
        int n = snprintf(out, PATH_ROOM, "%s", given);
        if (n <= 0 || n >= PATH_ROOM)
            return fail(why, E_INPUT, "--stack: give the path of a folder to be made");
        return E_OK;
    }
    struct sched *clock = virtual_clock ? sched_new_virtual(why) : sched_new_real(why);
    if (!clock) return E_NOMEM;
    int64_t now = sched_wall_us(clock);
    sched_free(clock);
    return evening_next_stack(folder, now, virtual_clock ? 0 : evening_utc_offset_s(now), out, PATH_ROOM,
                              why);
}

static json_t *closing_json(const struct run_closing *c)
{
    if (!c->done) return json_null();
    json_t *out = json_object();
    json_object_set_new(out, "dx_px", c->shift_known ? json_rounded(c->dx_px, 3) : json_null());
    json_object_set_new(out, "dy_px", c->shift_known ? json_rounded(c->dy_px, 3) : json_null());
    json_object_set_new(out, "scale", c->shift_known ? json_rounded(c->scale, 6) : json_null());
    json_object_set_new(out, "light_stops", json_rounded(c->light_stops, 3));
    return out;
}

static json_t *compared_json(const struct run_result *r)
{
    json_t *all = json_array();
    for (int32_t i = 0; i < r->compared_count; i++) {
        const struct run_compared *c = &r->compared[i];
        json_t *one = json_object();
        json_object_set_new(one, "slice", json_integer(c->slice));
        json_object_set_new(one, "dx_px", c->shift_known ? json_rounded(c->dx_px, 3) : json_null());
        json_object_set_new(one, "dy_px", c->shift_known ? json_rounded(c->dy_px, 3) : json_null());
        json_object_set_new(one, "scale", c->shift_known ? json_rounded(c->scale, 6) : json_null());
        json_object_set_new(one, "light_stops", json_rounded(c->light_stops, 3));
        json_array_append_new(all, one);
    }
    return all;
}

static const char *end_word(const struct shoot_told *t)
{
    static const char *const words[] = {"whole", "paused", "halted", "killed"};
    return t->already ? "whole" : words[t->result.end];
}

static json_t *all_findings_json(const struct shoot_told *t)
{
    json_t *all = t->plan ? findings_json(t->plan) : json_array();
    json_t *run = findings_json(&t->result.findings);
    json_array_extend(all, run);
    json_decref(run);
    return all;
}

static json_t *result_json(const struct cmd *c, const struct shoot_told *t)
{
    const struct run_result *r = &t->result;
    json_t *out = cmd_result(c);
    json_object_set_new(out, "findings", all_findings_json(t));
    json_object_set_new(out, "stack", json_text(t->dir));
    json_object_set_new(out, "end", json_text(end_word(t)));
    json_object_set_new(out, "already", json_boolean(t->already));
    json_object_set_new(out, "slices", json_integer(r->slices));
    json_object_set_new(out, "kept", json_integer(r->kept));
    json_object_set_new(out, "on_card", json_integer(r->on_card));
    json_object_set_new(out, "retakes", json_integer(r->retakes));
    json_object_set_new(out, "misfires", json_integer(r->misfires));
    json_object_set_new(out, "failed", json_integer(r->failed));
    json_object_set_new(out, "lost", json_integer(r->lost));
    json_object_set_new(out, "duration_s", json_s(r->duration_us));
    json_object_set_new(out, "closing", closing_json(&r->closing));
    json_object_set_new(out, "compared", compared_json(r));
    json_object_set_new(out, "evening", t->evening ? json_incref(t->evening) : json_null());
    return out;
}

static void text_findings(FILE *out, const json_t *result)
{
    size_t i;
    json_t *f;
    json_array_foreach (json_object_get(result, "findings"), i, f) {
        const char *advice = json_get_text(f, "advice");
        fprintf(out, "  %s%s%s\n", json_get_text(f, "text"), *advice ? ". " : "", advice);
    }
}

static void text_compared(FILE *out, const json_t *all)
{
    size_t i;
    json_t *c;
    json_array_foreach (all, i, c) {
        fprintf(out, "slice %.0f once more: ", json_get_number(c, "slice"));
        if (json_is_number(json_object_get(c, "dx_px")))
            fprintf(out, "%.2f, %.2f px beside its kept frame, scale %+.2f %%", json_get_number(c, "dx_px"),
                    json_get_number(c, "dy_px"), 100 * (json_get_number(c, "scale") - 1));
        else
            fputs("nothing in it to compare the place by", out);
        fprintf(out, ", light %+.2f stops\n", json_get_number(c, "light_stops"));
    }
}

static void text_evening(FILE *out, const json_t *evening)
{
    if (!json_is_object(evening)) return;
    fprintf(out, "%s", json_get_text(evening, "verdict"));
    if (json_is_number(json_object_get(evening, "light_stops")))
        fprintf(out, "; light %+.2f stops against the stack before",
                round(100 * json_get_number(evening, "light_stops")) / 100 + 0.0);
    fprintf(out, " (%s)\n", json_get_text(evening, "file"));
}

static void text(FILE *out, const json_t *result)
{
    char took[32];
    const char *stack = json_get_text(result, "stack"), *end = json_get_text(result, "end");
    span(us_from_s(json_get_number(result, "duration_s")), took);
    const double on_card = json_get_number(result, "on_card");
    if (json_is_true(json_object_get(result, "already")))
        fprintf(out, "%s: whole already, all %.0f slices are %s\n", stack, json_get_number(result, "slices"),
                on_card > 0 ? "fired" : "kept");
    else
        fprintf(out, "%s: %s, %.0f of %.0f slices %s in %s, %.0f shot again, %.0f lost\n", stack, end,
                json_get_number(result, "kept"), json_get_number(result, "slices"),
                on_card > 0 ? "fired" : "kept", took, json_get_number(result, "retakes"),
                json_get_number(result, "lost"));
    if (on_card > 0)
        fprintf(out, "%.0f frame%s on the camera's card, not in the stack yet\n", on_card,
                on_card > 1 ? "s are" : " is");
    text_compared(out, json_object_get(result, "compared"));
    const json_t *closing = json_object_get(result, "closing");
    if (json_is_number(json_object_get(closing, "dx_px")))
        fprintf(out, "the closing frame lies %.2f, %.2f px beside the first slice, %+.2f stops\n",
                json_get_number(closing, "dx_px"), json_get_number(closing, "dy_px"),
                json_get_number(closing, "light_stops"));
    text_evening(out, json_object_get(result, "evening"));
    text_findings(out, result);
    if (!strcmp(end, "whole") && on_card > 0)
        fprintf(out, "next: put the card in, then staddle import --pair %s CARDFOLDER\n", stack);
    else if (!strcmp(end, "whole"))
        fprintf(out, "next: staddle check %s\n", stack);
}

/* The line in evening.txt; a list that cannot be written is a finding, not a failure. */
static void note_evening(struct shoot_told *t)
{
    struct err why;
    if (!t->listed || !cmd_evening_note(t->dir, &t->evening, &why)) return;
    finding_add(&t->result.findings, (struct finding_about){.code = "no-evening-line", .advice = ""}, NULL,
                "%s", why.text);
}

int cmd_shoot_end(const struct cmd *c, struct shoot_told *t, int rc, struct err *why)
{
    bool begun = rc == E_PAUSED || (rc == E_STATE && t->result.slices > 0);
    if (rc && !begun) return rc;
    note_evening(t);
    cmd_print(c, result_json(c, t), text);
    json_decref(t->evening);
    run_result_clear(&t->result);
    if (!rc) return 0;
    char sentence[sizeof why->text];
    snprintf(sentence, sizeof sentence, "%s", why->text);
    return fail(why, (enum errc)rc, "%.300s; 'staddle resume %.180s' goes on", sentence, t->dir);
}

static int shoot_it(const struct cmd *c, struct shoot_opts *o, const struct shoot_job *job,
                    struct run_result *result, struct err *why)
{
    struct shoot_progress sp;
    int rc = wishes_listen(why);
    if (rc) return rc;
    const struct person person = cmd_person();
    if (!o->virtual_clock) o->rig.person = &person;
    cmd_shoot_watch(c, &sp, o);
    rc = shoot_new(job, o, result, why);
    cmd_shoot_watch_end(&sp);
    o->rig.person = NULL;
    wishes_ignore();
    return rc;
}

static void on_begun(void *arg, struct rig *rig, struct store *store)
{
    (void)store;
    cmd_again_begun(arg, sched_wall_us(rig->sched));
}

static void move_notes(struct finding_list *to, struct finding_list *from)
{
    for (int32_t i = 0; i < from->count; i++)
        finding_add(to, (struct finding_about){.code = from->rows[i].code, .advice = from->rows[i].advice},
                    NULL, "%s", from->rows[i].text);
    findings_clear(from);
}

static int shoot_chosen(struct again *a, struct shoot_job *job, struct shoot_opts *o, struct err *why)
{
    const struct cmd *c = a->cmd;
    char dir[PATH_ROOM];
    struct shoot_told told = {.dir = dir, .plan = &job->findings, .listed = !cmd_text(c, "stack")};
    int rc = o->virtual_clock ? E_OK : cmd_again_check_marks(a, job, why);
    if (!rc) rc = choose_dir(c, a->folder, o->virtual_clock, dir, why);
    o->dir = a->stack = dir;
    if (!o->virtual_clock) { /* a simulated stack makes no mark void, and is no job to be repeated */
        o->opened = on_begun;
        o->arg = a;
    }
    if (!rc) rc = shoot_it(c, o, job, &told.result, why);
    move_notes(&told.result.findings, &a->notes);
    rc = cmd_shoot_end(c, &told, rc, why);
    o->dir = a->stack = NULL;
    return rc;
}

int cmd_shoot_new(const struct cmd *c, bool virtual_clock, struct err *why)
{
    struct again a;
    struct shoot_job job;
    struct shoot_opts o = {.virtual_clock = virtual_clock, .anyway = !virtual_clock && cmd_flag(c, "anyway")};
    int rc = cmd_shoot_options(c, &o, why);
    if (!rc) rc = cmd_again_choose(c, &a, why);
    if (!rc) rc = shoot_job_read(a.job, a.bench, &job, why);
    if (rc) return rc;
    rc = shoot_chosen(&a, &job, &o, why);
    shoot_job_clear(&job);
    return rc;
}
