#include "run/ready.h"

#include <ctype.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "base/findings.h"
#include "base/units.h"
#include "device/trade.h"
#include "optics/marks.h"

#define NAMES_MOST 5

/* Limits; all our choice. */
#define SPARE_SHARE     0.1  /* of frames that are shot again */
#define RAW_BYTES       60e6 /* a frame at most, raw and JPEG (guess) */
#define JPEG_BYTES      20e6
#define LONG_US         1000000 /* from here on bodies take a dark frame, too (common practice, no source) */
#define CLOCK_OFF_S     120
#define POWER_OFF_LEAST 60 /* s; shorter than that it is off before a person is back */

struct judging {
    const struct told *told;
    const struct ready_job *job;
    struct ready *out;
    struct err *why;
    int rc;
    bool raw; /* a raw is kept: what is done to the JPEG alone can be done again */
};

/* The settings of the families that tell a fact, by their names in the library. */
static const struct {
    const char *name;
    const char *theirs[NAMES_MOST];
} facts[READY_FACTS] = {
    [READY_BATTERY] = {"battery", {"batterylevel"}},
    [READY_SPACE] = {"space", {NULL}},
    [READY_SHOTS_LEFT] = {"shots left", {"availableshots"}},
    [READY_EXPOSURE_MODE] = {"exposure mode",
                             {"expprogram", "autoexposuremodedial", "autoexposuremode", "shootingmode",
                              "expprogram2"}},
    [READY_AUTO_ISO] = {"automatic ISO", {"isoauto", "autoiso"}},
    [READY_WHITE_BALANCE] = {"white balance", {"whitebalance"}},
    [READY_AUTOFOCUS] = {"autofocus", {"continuousaf"}},
    [READY_STABILISER] = {"stabiliser",
                          {"imagestabilization", "stabilization", "vibrationreduction",
                           "opticalstabilization"}},
    [READY_FORMAT] = {"image format", {NULL}},
    [READY_LONG_EXPOSURE] = {"noise reduction of long exposures", {"longexpnr", "longexposurenr"}},
    [READY_TONE] = {"automatic tone", {"dlighting", "autolightingoptimizer", "dynamicrange", "hdrmode"}},
    [READY_DISTORTION] = {"distortion correction", {"autodistortioncontrol", "distortioncorrection"}},
    [READY_DRIVE] = {"self-timer", {"selftimer", "capturedelay"}},
    [READY_BRACKETING] = {"bracketing", {"bracketing", "bracketmode", "aebmode"}},
    [READY_REVIEW] = {"image review", {"imagereview", "reviewtime"}},
    [READY_POWER_OFF] = {"automatic power-off", {"autopoweroff"}},
    [READY_CLOCK] = {"clock", {"datetime", "datetimeutc"}},
};

const char *ready_name(enum ready_fact f)
{
    return facts[f].name;
}

static const struct told_setting *setting_of(const struct judging *j, enum ready_fact f)
{
    const struct told_setting *row = NULL;
    for (int i = 0; !row && i < NAMES_MOST && facts[f].theirs[i]; i++)
        row = told_find(j->told, facts[f].theirs[i]);
    return row && row->is[0] && strncasecmp(row->is, "unknown", 7) != 0 ? row : NULL;
}

static void good(struct judging *j, enum ready_fact f)
{
    if (j->out->states[f] == READY_UNKNOWN) j->out->states[f] = READY_GOOD;
}

__attribute__((format(printf, 6, 7))) static void wrong(struct judging *j, enum ready_fact f,
                                                        const char *code, bool grave, const char *advice,
                                                        const char *format, ...)
{
    char text[200];
    va_list ap;
    va_start(ap, format);
    vsnprintf(text, sizeof text, format, ap);
    va_end(ap);
    j->out->states[f] = READY_WRONG;
    const struct finding_about about = {.code = code, .grave = grave, .advice = advice};
    if (!j->rc) j->rc = finding_add(&j->out->findings, about, j->why, "%s", text);
}

/* "Off", "0", "No", "Bracket off", "None": what a switch says that is off. */
static bool is_off(const char *word)
{
    static const char *const offs[] = {"off", "no", "none", "disable", "disabled", "0", "standard off"};
    for (size_t i = 0; i < sizeof offs / sizeof *offs; i++)
        if (!strcasecmp(word, offs[i])) return true;
    return strcasestr(word, " off") != NULL;
}

/* ---- what it has left */

static void judge_battery(struct judging *j)
{
    const struct told_setting *row = setting_of(j, READY_BATTERY);
    const int level = row ? trade_battery_percent(row->is) : -1;
    if (level < 0) return;
    if (level > TRADE_BATTERY_LOW)
        good(j, READY_BATTERY);
    else
        wrong(j, READY_BATTERY, "battery", level <= TRADE_BATTERY_EMPTY,
              "Put a full one in, or feed the camera from the mains.", "the battery is at %s", row->is);
}

static int32_t frames_with_spare(const struct judging *j)
{
    return j->job->frames + (int32_t)ceil(SPARE_SHARE * j->job->frames);
}

static void judge_space(struct judging *j)
{
    const double each = j->raw ? RAW_BYTES : JPEG_BYTES, need = each * frames_with_spare(j);
    if (j->job->to_ram) {
        good(j, READY_SPACE);
        return;
    }
    if (j->told->free_bytes == TOLD_UNKNOWN) return;
    /* it knows its frames better than our guess */
    if ((double)j->told->free_bytes >= need || j->told->free_frames >= frames_with_spare(j))
        good(j, READY_SPACE);
    else
        wrong(j, READY_SPACE, "space", false, "Empty the card, or put a larger one in.",
              "the card has room for %.1f GB, and %d frames may take %.1f GB",
              (double)j->told->free_bytes / 1e9, (int)frames_with_spare(j), need / 1e9);
}

static void judge_shots_left(struct judging *j)
{
    const struct told_setting *row = setting_of(j, READY_SHOTS_LEFT);
    int64_t left = j->told->free_frames;
    if (j->job->to_ram) {
        good(j, READY_SHOTS_LEFT);
        return;
    }
    if (left == TOLD_UNKNOWN && row) left = atoll(row->is);
    if (left == TOLD_UNKNOWN) return;
    if (left > 0 && left >= frames_with_spare(j))
        good(j, READY_SHOTS_LEFT);
    else
        wrong(j, READY_SHOTS_LEFT, "shots-left", left < j->job->frames || left == 0,
              "Empty the card, or put a larger one in.",
              "the card takes %lld frames more; the job needs %d, and some "
              "to spare",
              (long long)left, (int)j->job->frames);
}

/* ---- what must be the same in every frame */

static void judge_mode(struct judging *j)
{
    const struct told_setting *row = setting_of(j, READY_EXPOSURE_MODE);
    if (!row || strcasestr(row->is, "custom")) return;
    if (!strcasecmp(row->is, "m") || strcasestr(row->is, "manual") || strcasestr(row->is, "bulb"))
        good(j, READY_EXPOSURE_MODE);
    else
        wrong(j, READY_EXPOSURE_MODE, "exposure-mode", true, "Turn its mode dial to M.",
              "the exposure mode is %s: each frame would be exposed by its own content", row->is);
}

static void judge_iso(struct judging *j)
{
    const struct told_setting *iso = trade_find(j->told, TRADE_ISO),
                              *automatic = setting_of(j, READY_AUTO_ISO);
    if (!iso) iso = told_find(j->told, "iso");
    if ((iso && strcasestr(iso->is, "auto")) || (automatic && !is_off(automatic->is)))
        wrong(j, READY_AUTO_ISO, "auto-iso", true,
              "Set one: 'staddle camera set BENCH iso=100', or in its menu.",
              "ISO is automatic: the light of the frames would differ");
    else if (automatic || (iso && !isnan(trade_value(TRADE_ISO, iso->is))))
        good(j, READY_AUTO_ISO);
}

static void judge_white_balance(struct judging *j)
{
    told_word said;
    const struct told_setting *row = setting_of(j, READY_WHITE_BALANCE);
    if (!row) return;
    trade_say(TRADE_WHITE_BALANCE, row->is, said);
    if (strcmp(said, "auto") != 0)
        good(j, READY_WHITE_BALANCE);
    else
        wrong(j, READY_WHITE_BALANCE, "white-balance", !j->raw,
              "Fix it: 'staddle camera set BENCH white-balance=daylight', or in its menu.",
              j->raw ? "white balance is automatic: the JPEGs would differ; the raws can be made equal"
                     : "white balance is automatic: the colours of the frames would differ");
}

static void judge_focus(struct judging *j)
{
    told_word said;
    const struct told_setting *row = trade_find(j->told, TRADE_FOCUS),
                              *on_release = told_find(j->told, "autofocus"),
                              *always = setting_of(j, READY_AUTOFOCUS);
    const bool held = on_release && is_off(on_release->is);
    if (always && !is_off(always->is) && !j->job->lens_is_axis) {
        wrong(j, READY_AUTOFOCUS, "autofocus", true, "Switch it off in the camera's menu.",
              "the camera focuses by itself all the time");
        return;
    }
    if (!row) return;
    trade_say(TRADE_FOCUS, row->is, said);
    if (!strcmp(said, "manual") || j->job->lens_is_axis)
        good(j, READY_AUTOFOCUS);
    else
        wrong(j, READY_AUTOFOCUS, "autofocus", !held,
              "Set the lens's switch, or the camera, to manual focus.",
              held ? "autofocus is on (%s); the release leaves it alone, a press of the button would not"
                   : "autofocus is on (%s): the release would move the focus",
              row->is);
}

static void judge_bracketing(struct judging *j)
{
    told_word said = "";
    const struct told_setting *row = setting_of(j, READY_BRACKETING),
                              *drive = trade_find(j->told, TRADE_DRIVE);
    if (drive) trade_say(TRADE_DRIVE, drive->is, said);
    if ((row && !is_off(row->is)) || !strcmp(said, "bracket"))
        wrong(j, READY_BRACKETING, "bracketing", true, "Switch it off in the camera's menu.",
              "bracketing is on: neighbours would be exposed differently");
    else if (row)
        good(j, READY_BRACKETING);
}

static void judge_drive(struct judging *j)
{
    told_word said = "";
    const struct told_setting *drive = trade_find(j->told, TRADE_DRIVE), *timer = setting_of(j, READY_DRIVE);
    if (drive) trade_say(TRADE_DRIVE, drive->is, said);
    if (!strcmp(said, "continuous"))
        wrong(j, READY_DRIVE, "burst", true, "Set it to single: 'staddle camera set BENCH drive=single'.",
              "the drive is %s: one release may give several frames", drive->is);
    else if (!strcmp(said, "timer") || (timer && !is_off(timer->is) && atof(timer->is) > 0))
        wrong(j, READY_DRIVE, "self-timer", false,
              "Set it to single: 'staddle camera set BENCH drive=single'.",
              "the self-timer is on: each frame waits for it");
    else if (drive || timer)
        good(j, READY_DRIVE);
}

/* ---- what costs quality or time */

static void judge_format(struct judging *j)
{
    const struct told_setting *row = trade_find(j->told, TRADE_FORMAT);
    if (!row || !(trade_has_raw(row->is) || trade_has_jpeg(row->is))) return;
    const bool poor = strcasestr(row->is, "basic") || strcasestr(row->is, "norm") ||
                      strcasestr(row->is, "small") || strcasestr(row->is, "medium");
    if (j->raw || !poor)
        good(j, READY_FORMAT);
    else
        wrong(j, READY_FORMAT, "image-format", false,
              "Take the finest: 'staddle camera set BENCH format=jpeg', or raw+jpeg.",
              "the image format is %s: what is lost now cannot be merged back", row->is);
}

static void judge_long_exposure(struct judging *j)
{
    const struct told_setting *row = setting_of(j, READY_LONG_EXPOSURE);
    if (!row) return;
    if (is_off(row->is) || (j->job->exposure_us && j->job->exposure_us < LONG_US))
        good(j, READY_LONG_EXPOSURE);
    else
        wrong(j, READY_LONG_EXPOSURE, "long-exposure", false, "Switch it off in the camera's menu.",
              "noise reduction of long exposures is on: each frame from a second on takes twice as long");
}

static void judge_tone(struct judging *j)
{
    const struct told_setting *row = setting_of(j, READY_TONE);
    if (!row) return;
    if (is_off(row->is) || !strcasecmp(row->is, "normal") || !strcasecmp(row->is, "standard"))
        good(j, READY_TONE);
    else
        wrong(j, READY_TONE, "automatic-tone", !j->raw, "Switch it off in the camera's menu.",
              j->raw ? "automatic tone is on (%s): the JPEGs would differ; the raws can be made equal"
                     : "automatic tone is on (%s): the tones of the frames would differ by their content",
              row->is);
}

static void judge_switch(struct judging *j, enum ready_fact f, const char *code, const char *text)
{
    const struct told_setting *row = setting_of(j, f);
    if (!row) return;
    if (is_off(row->is))
        good(j, f);
    else
        wrong(j, f, code, false, "Switch it off on the lens, or in the camera's menu.", "%s", text);
}

static void judge_power_off(struct judging *j)
{
    const struct told_setting *row = setting_of(j, READY_POWER_OFF);
    const double every_s = s_from_us(j->job->frame_every_us);
    if (!row) return;
    const double off_s = atof(row->is);
    if (is_off(row->is) || off_s > (every_s * 2 > POWER_OFF_LEAST ? every_s * 2 : POWER_OFF_LEAST))
        good(j, READY_POWER_OFF);
    else
        wrong(j, READY_POWER_OFF, "power-off", false,
              "Switch it off, or set it to many minutes, in the camera's menu.",
              "the camera switches itself off after %s s", row->is);
}

static void judge_clock(struct judging *j)
{
    const struct told_setting *row = setting_of(j, READY_CLOCK);
    if (!row || row->kind != TOLD_DATE) return;
    const double off_s = (double)atoll(row->is) - (double)j->told->asked_wall_us / 1e6;
    const bool days = fabs(off_s) >= 86400;
    if (fabs(off_s) <= CLOCK_OFF_S)
        good(j, READY_CLOCK);
    else
        wrong(j, READY_CLOCK, "clock", false, "Set its date and time, or its time zone.",
              "the camera's clock is %.0f %s %s", fabs(off_s) / (days ? 86400 : 60),
              days ? "days" : "minutes", off_s > 0 ? "fast" : "slow");
}

/* The depth of field is planned by the bench file's. Many a close-up lens tells nothing: that is no fault. */
static void judge_aperture(struct judging *j)
{
    told_word said;
    const struct told_setting *row = trade_find(j->told, TRADE_APERTURE);
    const double v = row ? trade_value(TRADE_APERTURE, row->is) : NAN;
    if (isnan(v) || !(j->job->f_number > 0) || fabs(2 * log2(v / j->job->f_number)) < 0.5) return;
    trade_say(TRADE_APERTURE, row->is, said);
    const struct finding_about about = {
        .code = "aperture",
        .advice = "Set it with 'staddle camera set BENCH aperture=...', or correct the bench file."};
    if (!j->rc)
        j->rc = finding_add(&j->out->findings, about, j->why,
                            "the camera is at %s, and the bench file plans with what it would show as f/%.3g",
                            said, j->job->f_number);
}

static void gather_unknown(struct judging *j)
{
    char list[200] = "";
    size_t used = 0;
    for (int f = 0; f < READY_FACTS && used < sizeof list - 48; f++)
        if (j->out->states[f] == READY_UNKNOWN)
            used +=
                (size_t)snprintf(list + used, sizeof list - used, "%s%s", used ? ", " : "", facts[f].name);
    const struct finding_about about = {.code = "not-told",
                                        .advice = "Look at its menus once before the evening."};
    if (used && !j->rc)
        j->rc = finding_add(&j->out->findings, about, j->why, "the camera does not tell: %s", list);
}

int ready_judge(const struct told *told, const struct ready_job *job, struct ready *out, struct err *why)
{
    struct ready r = {0};
    struct judging j = {.told = told, .job = job, .out = &r, .why = why};
    const struct told_setting *format = trade_find(told, TRADE_FORMAT);
    j.raw = format && trade_has_raw(format->is);
    judge_battery(&j);
    judge_space(&j);
    judge_shots_left(&j);
    judge_mode(&j);
    judge_iso(&j);
    judge_white_balance(&j);
    judge_focus(&j);
    judge_switch(&j, READY_STABILISER, "stabiliser",
                 "the stabiliser is on: on a stand it shifts the picture by itself");
    judge_format(&j);
    judge_long_exposure(&j);
    judge_tone(&j);
    judge_switch(
        &j, READY_DISTORTION, "distortion",
        "distortion correction is on: it blurs towards the corners, and differently as the focus moves");
    judge_drive(&j);
    judge_bracketing(&j);
    judge_switch(&j, READY_REVIEW, "image-review",
                 "image review is on: it costs time and battery after each frame");
    judge_power_off(&j);
    judge_clock(&j);
    judge_aperture(&j);
    gather_unknown(&j);
    if (j.rc)
        ready_clear(&r);
    else
        *out = r;
    return j.rc;
}

void ready_clear(struct ready *r)
{
    if (r) findings_clear(&r->findings);
}

int ready_refuse(const struct ready *r, struct err *why)
{
    char all[320] = "";
    size_t used = 0;
    for (int32_t i = 0; i < r->findings.count && used < sizeof all - 100; i++)
        if (r->findings.rows[i].grave)
            used += (size_t)snprintf(all + used, sizeof all - used, "%s%.96s", used ? "; " : "",
                                     r->findings.rows[i].text);
    if (!used) return E_OK;
    return fail(why, E_STATE,
                "the camera would spoil the stack: %s; put that right ('staddle camera ready' says how), "
                "or go on with --anyway",
                all);
}
