#include "device/camera_sim_tell.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "optics/exposure.h"
#include "optics/marks.h"

#define US_S        1e6
#define FREE_BYTES  (INT64_C(64) * 1000 * 1000 * 1000) /* of a new card; our choice */
#define FRAME_BYTES (INT64_C(10) * 1000 * 1000)
#define WORDS_ROOM  1024
#define LONGEST_K   15    /* 30 s */
#define SHORTEST_K  (-39) /* 1/8000 s */

static void list(bool (*mark)(int k, char out[MARK_ROOM]), const char *before, int from, int to,
                 char out[WORDS_ROOM])
{
    char one[MARK_ROOM];
    size_t used = 0;
    const int by = from < to ? 1 : -1;
    for (int k = from; k != to + by && used < WORDS_ROOM - 2 * MARK_ROOM; k += by)
        if (mark(k, one))
            used += (size_t)snprintf(out + used, WORDS_ROOM - used, "%s%s%s", used ? "|" : "", before, one);
}

static void say_time(int64_t us, told_word out)
{
    char mark[MARK_ROOM];
    const double s = us > 0 ? (double)us / US_S : 0.25;
    if (mark_of_time(exposure_time_third(s), mark) && fabs(log2(mark_seconds(mark) / s)) < 0.06)
        snprintf(out, TOLD_ROOM, "%s", mark);
    else
        snprintf(out, TOLD_ROOM, "%.4f", s);
}

int camera_sim_told(const struct camera_settings *s, int64_t wall_us, struct told *out, struct err *why)
{
    static const char *const plain[][3] = {
        {"expprogram", "M", "M|P|A|S"},
        {"isoauto", "Off", "On|Off"},
        {"whitebalance", "Daylight", "Automatic|Daylight|Tungsten|Flash|Preset"},
        {"imagequality", "JPEG Fine", "JPEG Fine"},
        {"capturemode", "Single Shot", "Single Shot"},
        {"focusmode", "Manual", "Manual"},
        {"imagestabilization", "Off", "On|Off"},
        {"longexpnr", "Off", "On|Off"},
        {"dlighting", "Off", "Off"},
        {"autodistortioncontrol", "Off", "Off"},
        {"bracketing", "Off", "Off"},
        {"imagereview", "Off", "On|Off"},
        {"autopoweroff", "0", "0"},
        {"batterylevel", "100%", NULL},
    };
    struct told t = {
        .free_bytes = FREE_BYTES, .free_frames = FREE_BYTES / FRAME_BYTES, .asked_wall_us = wall_us};
    char can[WORDS_ROOM] = "";
    told_word is;
    snprintf(t.model, sizeof t.model, "simulated camera");
    list(mark_of_time, "", LONGEST_K, SHORTEST_K, can);
    say_time(s->exposure_us, is);
    int rc = told_add(&t, "shutterspeed", TOLD_CHOICE, is, can, why);
    list(mark_of_f_number, "f/", 9, 27, can); /* f/2.8 to f/22 */
    snprintf(is, sizeof is, s->f_number > 0 ? "f/%g" : "by its ring", s->f_number);
    if (!rc) rc = told_add(&t, "f-number", TOLD_CHOICE, is, can, why);
    list(mark_of_iso, "", 0, 18, can); /* 100 to 6400 */
    snprintf(is, sizeof is, "%g", s->iso > 0 ? s->iso : 100);
    if (!rc) rc = told_add(&t, "iso", TOLD_CHOICE, is, can, why);
    for (size_t i = 0; !rc && i < sizeof plain / sizeof *plain; i++)
        rc = told_add(&t, plain[i][0], plain[i][2] ? TOLD_CHOICE : TOLD_TEXT, plain[i][1], plain[i][2], why);
    snprintf(is, sizeof is, "%lld", (long long)(wall_us / 1000000));
    if (!rc) rc = told_add(&t, "datetime", TOLD_DATE, is, NULL, why);
    if (rc)
        told_clear(&t);
    else
        *out = t;
    return rc;
}

int camera_sim_turned(struct camera_settings *s, const char *setting, const char *word, struct err *why)
{
    const double time_s = mark_seconds(word), f_number = mark_f_number(word), iso = mark_iso(word);
    if (!strcmp(setting, "shutterspeed") && !isnan(time_s))
        s->exposure_us = (int64_t)llround(time_s * US_S);
    else if (!strcmp(setting, "f-number") && !isnan(f_number))
        s->f_number = f_number;
    else if (!strcmp(setting, "iso") && !isnan(iso))
        s->iso = iso;
    else
        return fail(why, E_UNSUPPORTED,
                    "simulated camera: %.40s stays as it is; shutter, aperture and iso can be set", setting);
    return E_OK;
}
