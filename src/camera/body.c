#include "camera/body.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "base/mem.h"
#include "camera/inside.h"
#include "optics/marks.h"

/* ---- how it fails ---- */

static void on_error(GPContext *context, const char *text, void *arg)
{
    (void)context;
    snprintf(((struct body *)arg)->said, sizeof((struct body *)arg)->said, "%s", text);
}

static enum errc kind_of(int gp)
{
    switch (gp) {
    case GP_ERROR_CAMERA_BUSY:
        return E_TIMEOUT;
    case GP_ERROR_IO:
    case GP_ERROR_TIMEOUT:
    case GP_ERROR_IO_READ:
    case GP_ERROR_IO_WRITE:
    case GP_ERROR_IO_USB_FIND:
        return E_IO;
    case GP_ERROR_IO_USB_CLAIM:
    case GP_ERROR_CAMERA_ERROR:
    case GP_ERROR_NO_SPACE:
        return E_STATE;
    case GP_ERROR_NOT_SUPPORTED:
        return E_UNSUPPORTED;
    case GP_ERROR_NO_MEMORY:
        return E_NOMEM;
    default:
        return E_IO;
    }
}

static const char *advice_of(int gp)
{
    switch (gp) {
    case GP_ERROR_CAMERA_BUSY:
        return "it is busy; try again";
    case GP_ERROR_IO_USB_CLAIM:
        return "another program holds it; unmount it in the desktop, then try again";
    case GP_ERROR_IO_USB_FIND:
    case GP_ERROR_UNKNOWN_PORT:
        return "it is not there; switch it on and look at the cable";
    case GP_ERROR_NO_SPACE:
        return "its card is full; change it";
    case GP_ERROR_NOT_SUPPORTED:
        return "it cannot do that";
    default:
        return "look at the cable and at its display";
    }
}

int body_refused(struct body *b, int gp, const char *what, struct err *why)
{
    if (b && kind_of(gp) == E_IO) b->doubted = true;
    const char *said = b && b->said[0] ? b->said : gp_result_as_string(gp);
    return fail(why, kind_of(gp), "camera: %s: %s (%d); %s", what, said, gp, advice_of(gp));
}

/* ---- opening ---- */

static int choose_model(struct body *b, const char *model)
{
    CameraAbilitiesList *list = NULL;
    CameraAbilities abilities;
    int rc = gp_abilities_list_new(&list);
    if (!rc) rc = gp_abilities_list_load(list, b->context);
    if (!rc) rc = gp_abilities_list_lookup_model(list, model);
    if (rc >= 0) rc = gp_abilities_list_get_abilities(list, rc, &abilities);
    if (rc >= 0) rc = gp_camera_set_abilities(b->camera, abilities);
    if (list) gp_abilities_list_free(list);
    return rc;
}

static int choose_port(struct body *b)
{
    GPPortInfoList *list = NULL;
    GPPortInfo info;
    int rc = gp_port_info_list_new(&list);
    if (!rc) rc = gp_port_info_list_load(list);
    if (!rc) rc = gp_port_info_list_lookup_path(list, b->port);
    if (rc >= 0) rc = gp_port_info_list_get_info(list, rc, &info);
    if (rc >= 0) rc = gp_camera_set_port_info(b->camera, info);
    if (list) gp_port_info_list_free(list);
    return rc;
}

static int connect_camera(struct body *b, struct err *why)
{
    int rc = gp_camera_new(&b->camera);
    if (!rc && !strncmp(b->port, "ptpip:", 6)) rc = choose_model(b, "PTP/IP Camera");
    if (rc >= 0 && b->port[0]) rc = choose_port(b);
    if (rc >= 0) rc = gp_camera_init(b->camera, b->context);
    if (rc >= 0) return E_OK;
    if (b->camera) gp_camera_unref(b->camera);
    b->camera = NULL;
    return body_refused(b, rc, b->port[0] ? b->port : "the first that is found", why);
}

static void disconnect(struct body *b)
{
    if (!b->camera) return;
    body_bulb_shut(b);
    body_mirror_back(b);
    gp_camera_exit(b->camera, b->context);
    gp_camera_unref(b->camera);
    b->camera = NULL;
}

/* ---- one widget ---- */

int body_get_widget(struct body *b, const char *name, CameraWidget **out)
{
    *out = NULL;
    const int rc = gp_camera_get_single_config(b->camera, name, out, b->context);
    return rc == GP_OK && !*out ? GP_ERROR_BAD_PARAMETERS : rc;
}

int body_put_widget(struct body *b, const char *name, CameraWidget *w, const void *value)
{
    int rc = gp_widget_set_value(w, value);
    b->said[0] = '\0';
    return rc ? rc : gp_camera_set_single_config(b->camera, name, w, b->context);
}

/* Whichever of the names the camera has; NULL at the list's end. */
static CameraWidget *find_widget(struct body *b, const char *const *names, const char **name_out)
{
    CameraWidget *w = NULL;
    for (; *names; names++)
        if (body_get_widget(b, *names, &w) == GP_OK) {
            *name_out = *names;
            return w;
        }
    return NULL;
}

/* Sets the first choice that holds the word, if there is such a widget and such a choice. */
static void prefer(struct body *b, const char *name, const char *word)
{
    CameraWidget *w;
    const char *choice;
    if (body_get_widget(b, name, &w) != GP_OK) return;
    for (int i = 0; i < gp_widget_count_choices(w); i++)
        if (gp_widget_get_choice(w, i, &choice) == GP_OK && strcasestr(choice, word)) {
            body_put_widget(b, name, w, choice);
            break;
        }
    gp_widget_free(w);
}

/* What it may remember from another program. */
static void make_ready(struct body *b)
{
    prefer(b, "capturetarget", b->to_ram ? "ram" : "card");
    prefer(b, "autofocus", "off");
    body_mirror_ready(b);
}

int body_open(const char *port, bool to_ram, struct body **out, struct err *why)
{
    struct body *b = mem_new(1, sizeof *b, why);
    if (!b) return E_NOMEM;
    snprintf(b->port, sizeof b->port, "%s", port);
    b->to_ram = to_ram;
    b->context = gp_context_new();
    if (!b->context) {
        mem_free(b);
        return fail(why, E_NOMEM, "no memory for the camera library");
    }
    gp_context_set_error_func(b->context, on_error, b);
    int rc = connect_camera(b, why);
    if (rc) {
        body_close(b);
        return rc;
    }
    make_ready(b);
    *out = b;
    return E_OK;
}

void body_close(struct body *b)
{
    if (!b) return;
    disconnect(b);
    gp_context_unref(b->context);
    mem_free(b);
}

static void text_of(struct body *b, const char *name, char *out)
{
    CameraWidget *w;
    const char *value = NULL;
    out[0] = '\0';
    if (body_get_widget(b, name, &w) != GP_OK) return;
    if (gp_widget_get_value(w, &value) == GP_OK && value) snprintf(out, BODY_TEXT_ROOM, "%s", value);
    gp_widget_free(w);
}

void body_describe(struct body *b, struct body_facts *out)
{
    text_of(b, "cameramodel", out->model);
    body_battery(b, out->battery);
}

void body_battery(struct body *b, char out[BODY_TEXT_ROOM])
{
    text_of(b, "batterylevel", out);
}

/* ---- settings ---- */

struct setting {
    const char *what, *unit;
    const char *const *names;
    double (*value)(const char *choice);
    int per_stop;
};

static const char *const time_names[] = {"shutterspeed", "shutterspeed2", "exptime", NULL};
static const char *const aperture_names[] = {"f-number", "aperture", "aperture2", NULL};
static const char *const iso_names[] = {"iso", "isospeed", NULL};
static const struct setting shutter_time = {"a shutter time of ", " s", time_names, mark_seconds, 1};
static const struct setting aperture = {"an aperture of f/", "", aperture_names, mark_f_number, 2};
static const struct setting sensitivity = {"ISO ", "", iso_names, mark_iso, 1};

static const char *nearest_choice(CameraWidget *w, const struct setting *s, double wanted, double *stops_out)
{
    const char *best = NULL, *choice;
    *stops_out = INFINITY;
    for (int i = 0; i < gp_widget_count_choices(w); i++) {
        if (gp_widget_get_choice(w, i, &choice) != GP_OK) continue;
        const double v = s->value(choice);
        if (isnan(v)) continue;
        const double stops = fabs(mark_stops_apart(v, wanted, s->per_stop)) +
                             1e-3 * fabs(log2(v / wanted)); /* of several in one third the nearest */
        if (stops >= *stops_out) continue;
        *stops_out = stops;
        best = choice;
    }
    return best;
}

static int apply(struct body *b, const struct setting *s, double wanted, struct err *why)
{
    const char *name;
    double stops;
    CameraWidget *w = find_widget(b, s->names, &name);
    if (!w)
        return fail(why, E_UNSUPPORTED,
                    "camera: it does not let a program set %s%.4g%s; set it by hand and leave it out",
                    s->what, wanted, s->unit);
    const char *choice = nearest_choice(w, s, wanted, &stops);
    int rc;
    if (!choice || stops > 0.2)
        rc = fail(why, E_UNSUPPORTED, "camera: it has not %s%.4g%s; the nearest is %s", s->what, wanted,
                  s->unit, choice ? choice : "not told");
    else if ((rc = body_put_widget(b, name, w, choice)) < 0)
        rc = body_refused(b, rc, s->what, why);
    gp_widget_free(w);
    return rc;
}

int body_set(struct body *b, int64_t exposure_us, double f_number, double iso, struct err *why)
{
    int rc = exposure_us > 0 ? body_bulb_set(b, exposure_us, why) : E_OK;
    if (!rc && exposure_us > 0 && !b->by_bulb) rc = apply(b, &shutter_time, (double)exposure_us * 1e-6, why);
    if (!rc && f_number > 0) rc = apply(b, &aperture, f_number, why);
    if (!rc && iso > 0) rc = apply(b, &sensitivity, iso, why);
    if (rc) return rc;
    b->exposure_us = exposure_us;
    b->f_number = f_number;
    b->iso = iso;
    return E_OK;
}

/* The library says the same of a camera that refuses and of one that is gone: the card can be asked of one
 * only.
 */
static void look_for_loss(struct body *b)
{
    CameraStorageInformation *cards = NULL;
    int count = 0;
    if (!b->doubted) return;
    b->doubted = false;
    if (!b->camera || gp_camera_get_storageinfo(b->camera, &cards, &count, b->context) < 0) b->losses++;
    free(cards);
}

bool body_is_open(const struct body *b)
{
    return b->camera;
}

bool body_doubted(const struct body *b)
{
    return b->doubted;
}

int32_t body_losses(const struct body *b)
{
    return b->losses;
}

/* A link that went down, or a card to be read anew: the library keeps what it has listed. */
int body_reopen(struct body *b, struct err *why)
{
    look_for_loss(b);
    b->said[0] = '\0';
    disconnect(b);
    int rc = connect_camera(b, why);
    if (rc) return rc;
    make_ready(b);
    return body_set(b, b->exposure_us, b->f_number, b->iso, why);
}

/* ---- exposures ---- */

/* The library says the same of a full card and of everything else. */
static bool is_full(struct body *b)
{
    CameraStorageInformation *cards = NULL;
    int count = 0;
    bool full = false;
    if (gp_camera_get_storageinfo(b->camera, &cards, &count, b->context) < 0) return false;
    for (int i = 0; i < count; i++)
        full = full || ((cards[i].fields & GP_STORAGEINFO_FREESPACEIMAGES) && cards[i].freeimages == 0);
    free(cards);
    return full;
}

int body_trigger(struct body *b, struct err *why)
{
    b->said[0] = '\0';
    const int rc = b->by_bulb ? body_bulb_open(b) : gp_camera_trigger_capture(b->camera, b->context);
    if (rc < 0 && rc != GP_ERROR_CAMERA_BUSY && is_full(b))
        return fail(why, E_STATE, "camera: its card is full; put an empty one in, then resume");
    return rc < 0 ? body_refused(b, rc, "firing", why) : E_OK;
}

int body_event(struct body *b, int timeout_ms, struct body_event *out, struct err *why)
{
    CameraEventType type = GP_EVENT_UNKNOWN;
    void *data = NULL;
    *out = (struct body_event){.kind = BODY_NOTHING};
    b->said[0] = '\0';
    int rc = body_bulb_wait(b, &timeout_ms);
    if (rc < 0) return body_refused(b, rc, "shutting the shutter", why);
    rc = gp_camera_wait_for_event(b->camera, timeout_ms, &type, &data, b->context);
    if (rc < 0) {
        free(data);
        return body_refused(b, rc, "waiting for the picture", why);
    }
    if (type == GP_EVENT_FILE_ADDED && data) {
        const CameraFilePath *p = data;
        out->kind = BODY_OBJECT;
        const int n = snprintf(out->path, sizeof out->path, "%s/%s", p->folder, p->name);
        if (n >= (int)sizeof out->path) out->kind = BODY_NOTHING;
    } else if (type == GP_EVENT_CAPTURE_COMPLETE) {
        out->kind = BODY_COMPLETE;
    } else if (type != GP_EVENT_TIMEOUT) {
        out->kind = BODY_OTHER;
    }
    free(data);
    return E_OK;
}
