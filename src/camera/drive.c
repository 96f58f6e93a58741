/* drive.c - the lens's motor by the library's one widget for it. Which error means what depends on the
 * family: a busy camera that says so at once has not moved; one that took its time has, and is still at it.
 * So a move is timed, and none is repeated here but after a refusal for want of live view. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <time.h>

#include "camera/inside.h"

#define WIDGET      "manualfocusdrive"
#define SLOW_US     500000 /* a refusal comes within milliseconds, a motor that is waited for after a second */
#define STEPS_MOST  32767
#define CHOICE_ROOM 16

static int64_t now_us(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000 + t.tv_nsec / 1000;
}

static void live_view(struct body *b)
{
    CameraWidget *w;
    const int on = 1;
    if (body_get_widget(b, "viewfinder", &w) != GP_OK) return;
    body_put_widget(b, "viewfinder", w, &on);
    gp_widget_free(w);
}

/* "Near 1", "Far 3": how many there are. */
static int32_t count_sizes(CameraWidget *w)
{
    const char *choice;
    int32_t sizes = 0;
    int number;
    for (int i = 0; i < gp_widget_count_choices(w); i++)
        if (gp_widget_get_choice(w, i, &choice) == GP_OK && sscanf(choice, "Far %d", &number) == 1 &&
            number > sizes && number <= LENS_SIZES_MOST)
            sizes = number;
    return sizes;
}

void body_lens(struct body *b, struct lens_kind *out)
{
    CameraWidget *w;
    CameraWidgetType type;
    *out = (struct lens_kind){0};
    if (body_get_widget(b, WIDGET, &w) != GP_OK) return;
    if (gp_widget_get_type(w, &type) == GP_OK) {
        if (type == GP_WIDGET_RANGE) out->order_most = STEPS_MOST;
        if (type == GP_WIDGET_RADIO) out->order_most = out->sizes = count_sizes(w);
    }
    gp_widget_free(w);
}

/* ---- one order ---- */

static int send(struct body *b, int32_t order, int64_t *took_us)
{
    CameraWidget *w;
    CameraWidgetType type = GP_WIDGET_RANGE;
    char choice[CHOICE_ROOM];
    const float steps = (float)order;
    int rc = body_get_widget(b, WIDGET, &w);
    if (rc < 0) return rc;
    gp_widget_get_type(w, &type);
    snprintf(choice, sizeof choice, "%s %d", order < 0 ? "Near" : "Far", abs((int)order));
    const int64_t at_us = now_us();
    rc = body_put_widget(b, WIDGET, w, type == GP_WIDGET_RANGE ? (const void *)&steps : choice);
    *took_us = now_us() - at_us;
    gp_widget_free(w);
    return rc;
}

/* What the texts of the library hold, in its own language: the locale of this program stays C. */
static enum lens_result judge(struct body *b, int gp, int64_t took_us, struct err *why)
{
    if (gp >= 0) return LENS_MOVED;
    if (gp == GP_ERROR_CAMERA_BUSY && took_us >= SLOW_US) return LENS_LATE;
    if (gp == GP_ERROR_CAMERA_BUSY) {
        fail(why, E_TIMEOUT, "lens: the camera is busy");
        return LENS_REFUSED;
    }
    if (strcasestr(b->said, "limit")) {
        fail(why, E_STATE, "lens: it stands at its stop");
        return LENS_AT_END;
    }
    if (strcasestr(b->said, "small")) {
        fail(why, E_INPUT, "lens: it does not take so small a step");
        return LENS_TOO_SHORT;
    }
    if (strcasestr(b->said, "live")) {
        fail(why, E_STATE,
             "lens: it moves in live view only, and that does not come on; look at the camera's display");
        return LENS_CANNOT;
    }
    if (gp == GP_ERROR_NOT_SUPPORTED || gp == GP_ERROR_BAD_PARAMETERS) {
        fail(why, E_UNSUPPORTED, "lens: this camera cannot drive it; use a rail");
        return LENS_CANNOT;
    }
    body_refused(b, gp, "driving the lens", why);
    return LENS_LOST;
}

enum lens_result body_drive(struct body *b, int32_t order, int64_t *took_us_out, struct err *why)
{
    enum lens_result result = LENS_MOVED;
    struct err said = {0};
    *took_us_out = 0;
    if (order == 0) return LENS_MOVED; /* a drive by none may move all the same */
    for (int tries = 0; tries < 2; tries++) {
        live_view(b); /* each time: a camera may leave it after an exposure */
        said = (struct err){0};
        const int gp = send(b, order, took_us_out);
        result = judge(b, gp, *took_us_out, &said);
        if (result != LENS_CANNOT || said.code != E_STATE) break;
    }
    if (said.code && why) *why = said;
    return result;
}
