#include <string.h>

#include "cmd_evening.h"
#include "cmd_person.h"
#include "cmd_shoot.h"
#include "run/wishes.h"

static const struct option_row options[] = {
    {"workers", "N", "threads for rendering and measuring (default: one a core)"},
    {"job", "FILE", "where the job file stood, if it names a picture that is not found from here"},
    {"doubtful", "WHAT", "shoot_again or ask, where nobody can tell whether it was exposed"},
    {"anyway", NULL, "go on although the set or the light is not as it was"},
    {NULL, NULL, NULL},
};

static int read_doubt(const struct cmd *c, struct shoot_opts *o, struct err *why)
{
    const char *word = cmd_text(c, "doubtful");
    if (!word) return E_OK;
    o->doubt = !strcmp(word, "ask") ? DOUBT_ASK : DOUBT_SHOOT_AGAIN;
    if (o->doubt == DOUBT_ASK || !strcmp(word, "shoot_again")) return E_OK;
    return fail(why, E_INPUT, "--doubtful %s: write shoot_again or ask", word);
}

static int run(struct cmd *c, struct err *why)
{
    struct shoot_progress sp;
    struct shoot_opts o = {
        .dir = cmd_operand(c, 0), .job_path = cmd_text(c, "job"), .anyway = cmd_flag(c, "anyway")};
    struct shoot_told told = {.dir = o.dir};
    if (cmd_text(c, "bench"))
        return fail(why, E_INPUT,
                    "--bench: resume goes on with the bench that is kept in the stack; leave it out");
    int rc = cmd_shoot_options(c, &o, why);
    if (!rc) rc = read_doubt(c, &o, why);
    if (!rc) rc = wishes_listen(why);
    if (rc) return rc;
    const struct person person = cmd_person();
    o.rig.person = &person;
    cmd_shoot_watch(c, &sp, &o);
    rc = shoot_resume(&o, &told.result, &told.already, why);
    cmd_shoot_watch_end(&sp);
    wishes_ignore();
    told.listed = cmd_evening_has_list(o.dir);
    return cmd_shoot_end(c, &told, rc, why);
}

const struct verb verb_resume = {
    .name = "resume",
    .operands = "STACK",
    .least = 1,
    .most = 1,
    .summary = "go on with a stack that was paused or broken off",
    .about =
        "Shoots what is still missing of a stack, by the job and bench that are kept in its folder; kept\n"
        "frames stay as they are. What was being exposed when the run ended is fetched if the camera still\n"
        "holds it, and shot again if it does not or cannot tell; where the job says 'doubtful: ask', or\n"
        "--doubtful does, it stays in doubt instead, status 4, until a person has decided. The axis goes on\n"
        "from where it stands if the controller has kept its position, else it finds its zero first. Then\n"
        "the last two slices are shot once more, beside the stack, and laid over their kept frames: where\n"
        "the set was moved, the scale has changed or the light, it ends with status 4 and says by how much;\n"
        "--anyway goes on all the same. A stack that is whole already is left alone.",
    .options = options,
    .run = run,
};
