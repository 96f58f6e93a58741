/* mirror.c - a first press that raises the mirror. Some bodies have a drive mode for it, which is set here
 * and put back; on others it is a switch in a menu, which nobody but a person reaches. */
#include <stdio.h>
#include <string.h>
#include <strings.h>

#include "camera/inside.h"

static const char *const drive_names[] = {"drivemode", "capturemode"};

static void choose(struct body *b, const char *name, CameraWidget *w, const char *is)
{
    const char *choice;
    for (int i = 0; i < gp_widget_count_choices(w); i++) {
        if (gp_widget_get_choice(w, i, &choice) != GP_OK || !strcasestr(choice, "mirror")) continue;
        if (!b->drive_was[0]) snprintf(b->drive_was, sizeof b->drive_was, "%s", is);
        body_put_widget(b, name, w, choice);
        return;
    }
}

void body_mirror_ready(struct body *b)
{
    CameraWidget *w;
    const char *is = NULL;
    for (size_t i = 0; b->mirror_up_us && i < sizeof drive_names / sizeof *drive_names; i++) {
        if (body_get_widget(b, drive_names[i], &w) != GP_OK) continue;
        if (gp_widget_get_value(w, &is) == GP_OK && is && !strcasestr(is, "mirror"))
            choose(b, drive_names[i], w, is);
        gp_widget_free(w);
    }
}

void body_mirror_back(struct body *b)
{
    CameraWidget *w;
    for (size_t i = 0; b->drive_was[0] && i < sizeof drive_names / sizeof *drive_names; i++) {
        if (body_get_widget(b, drive_names[i], &w) != GP_OK) continue;
        body_put_widget(b, drive_names[i], w, b->drive_was);
        gp_widget_free(w);
    }
    b->drive_was[0] = '\0';
}

void body_mirror_set(struct body *b, int64_t up_us)
{
    b->mirror_up_us = up_us;
    body_mirror_ready(b);
}

int64_t body_mirror_up_us(const struct body *b)
{
    return b->mirror_up_us;
}

/* One family says of a mirror that goes up what it says of every release that gives no picture. */
int body_mirror_raise(struct body *b, struct err *why)
{
    b->said[0] = '\0';
    const int rc = gp_camera_trigger_capture(b->camera, b->context);
    if (rc == GP_OK || strcasestr(b->said, "mirror")) return E_OK;
    return body_refused(b, rc, "raising the mirror", why);
}
