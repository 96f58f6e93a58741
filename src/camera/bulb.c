/* bulb.c - exposures longer than the longest that a camera has: opened and shut from here. Only a family
 * whose shutter has the word bulb among its times is trusted with it: another one's switch of that name shows
 * up on bodies that have none. */
#include <math.h>
#include <string.h>
#include <strings.h>
#include <time.h>

#include "camera/inside.h"
#include "optics/marks.h"

#define SWITCH       "bulb"
#define LONGER_STOPS 0.2 /* as much as a nominal time may be off */

static int64_t now_us(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000 + t.tv_nsec / 1000;
}

/* The word, where there is one; and the longest of its times. */
static const char *bulb_among(CameraWidget *w, double *longest_s)
{
    const char *choice, *bulb = NULL;
    *longest_s = 0;
    for (int i = 0; i < gp_widget_count_choices(w); i++) {
        if (gp_widget_get_choice(w, i, &choice) != GP_OK) continue;
        const double s = mark_seconds(choice);
        if (s > *longest_s) *longest_s = s;
        if (strcasestr(choice, "bulb")) bulb = choice;
    }
    return bulb;
}

static bool has_switch(struct body *b)
{
    CameraWidget *w;
    CameraWidgetType type = GP_WIDGET_TEXT;
    if (body_get_widget(b, SWITCH, &w) != GP_OK) return false;
    gp_widget_get_type(w, &type);
    gp_widget_free(w);
    return type == GP_WIDGET_TOGGLE;
}

int body_bulb_set(struct body *b, int64_t exposure_us, struct err *why)
{
    CameraWidget *w;
    double longest_s;
    b->by_bulb = false;
    if (body_get_widget(b, "shutterspeed", &w) != GP_OK) return E_OK;
    const char *bulb = bulb_among(w, &longest_s);
    int rc = GP_OK;
    if (bulb && longest_s > 0 && log2((double)exposure_us * 1e-6 / longest_s) > LONGER_STOPS &&
        has_switch(b)) {
        rc = body_put_widget(b, "shutterspeed", w, bulb);
        b->by_bulb = rc >= 0;
    }
    gp_widget_free(w);
    return rc < 0 ? body_refused(b, rc, "setting it to bulb", why) : E_OK;
}

static int turn(struct body *b, int on)
{
    CameraWidget *w;
    int rc = body_get_widget(b, SWITCH, &w);
    if (rc < 0) return rc;
    rc = body_put_widget(b, SWITCH, w, &on);
    gp_widget_free(w);
    return rc;
}

int body_bulb_open(struct body *b)
{
    const int rc = turn(b, 1);
    if (rc >= 0) b->shut_at_us = now_us() + b->exposure_us;
    return rc;
}

int body_bulb_shut(struct body *b)
{
    if (!b->shut_at_us) return GP_OK;
    b->shut_at_us = 0;
    return turn(b, 0);
}

int body_bulb_wait(struct body *b, int *most_ms)
{
    if (!b->shut_at_us) return GP_OK;
    const int64_t left_us = b->shut_at_us - now_us();
    if (left_us > (int64_t)*most_ms * 1000) return GP_OK;
    if (left_us > 0) {
        const struct timespec t = {.tv_sec = left_us / 1000000, .tv_nsec = left_us % 1000000 * 1000};
        nanosleep(&t, NULL);
    }
    *most_ms = 1;
    return body_bulb_shut(b);
}
