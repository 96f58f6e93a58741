/* cmd_devices.c - `staddle devices`: what hangs on the USB, what to write into the bench file for it, and
 * what is in its way. */
#include <string.h>

#include "base/findings.h"
#include "base/json.h"
#include "base/mem.h"
#include "cmd.h"
#include "device/usb.h"

static const struct option_row options[] = {
    {"reset", "PATH", "restart the device at this path, as if it had been unplugged"},
    {NULL, NULL, NULL},
};

static int held(const struct usb_device *d, struct finding_list *findings, struct err *why)
{
    const struct finding_about about = {
        .code = "held",
        .grave = true,
        .advice = d->camera ? "if that is the desktop, which mounts cameras by itself: eject it in the file "
                              "manager; else end that program"
                            : "end that program"};
    return finding_add(findings, about, why, "%s is in use by %s", d->path, d->holder);
}

static int closed(const struct usb_device *d, struct finding_list *findings, struct err *why)
{
    const struct finding_about about = {.code = "not_allowed",
                                        .grave = true,
                                        .advice = "copy configs/70-staddle.rules to /etc/udev/rules.d/, then "
                                                  "unplug the device and plug it in again"};
    return finding_add(findings, about, why, "this user may not open %s", d->path);
}

static int nothing(struct finding_list *findings, struct err *why)
{
    const struct finding_about about = {
        .code = "no_device",
        .advice =
            "is it switched on, its cable in, and one that carries data? A camera may have to be told in its "
            "menu to show itself as a camera and not as a disk"};
    return finding_add(findings, about, why, "no camera and no serial port hangs on the USB");
}

static int judge(const struct usb_device *devices, int count, struct finding_list *findings, struct err *why)
{
    int rc = count ? E_OK : nothing(findings, why);
    for (int i = 0; !rc && i < count; i++) {
        const struct usb_device *d = &devices[i];
        if (d->holder[0])
            rc = held(d, findings, why);
        else if (!d->allowed)
            rc = closed(d, findings, why);
    }
    return rc;
}

static json_t *device_json(const struct usb_device *d)
{
    char line[USB_TEXT_ROOM + 32];
    snprintf(line, sizeof line, d->camera ? "camera.port: %s" : "axis.link: %s",
             d->camera ? d->path : d->port);
    json_t *out = json_object();
    json_object_set_new(out, "path", json_text(d->path));
    json_object_set_new(out, "what", json_string(d->camera ? "camera" : "serial port"));
    json_object_set_new(out, "says", json_text(d->says));
    json_object_set_new(out, "speed_mbit_per_s",
                        d->speed_mbit > 0 ? json_number(d->speed_mbit) : json_null());
    json_object_set_new(out, "port", d->port[0] ? json_text(d->port) : json_null());
    json_object_set_new(out, "held_by", d->holder[0] ? json_text(d->holder) : json_null());
    json_object_set_new(out, "allowed", json_boolean(d->allowed));
    json_object_set_new(out, "bench_line", json_text(line));
    return out;
}

static void text(FILE *out, const json_t *r)
{
    size_t i;
    json_t *d;
    json_array_foreach (json_object_get(r, "devices"), i, d) {
        const double speed = json_get_number(d, "speed_mbit_per_s");
        fprintf(out, "%-7s %-11s %s", json_get_text(d, "path"), json_get_text(d, "what"),
                json_get_text(d, "says")[0] ? json_get_text(d, "says") : "tells no name");
        if (speed > 0) fprintf(out, ", %g Mbit/s", speed);
        fprintf(out, "\n%20s%s\n", "", json_get_text(d, "bench_line"));
    }
    if (json_get_text(r, "reset")[0]) fprintf(out, "%s was restarted\n", json_get_text(r, "reset"));
    cmd_print_findings(out, r);
}

static int list(struct cmd *cmd, struct err *why)
{
    struct usb_device *devices = NULL;
    struct finding_list findings = {0};
    int count = 0;
    int rc = usb_list(&devices, &count, why);
    if (!rc) rc = judge(devices, count, &findings, why);
    if (!rc) {
        json_t *result = cmd_result(cmd), *rows = json_array();
        for (int i = 0; i < count; i++)
            json_array_append_new(rows, device_json(&devices[i]));
        json_object_set_new(result, "devices", rows);
        json_object_set_new(result, "findings", findings_json(&findings));
        cmd_print(cmd, result, text);
    }
    findings_clear(&findings);
    mem_free(devices);
    return rc;
}

static int run(struct cmd *cmd, struct err *why)
{
    const char *path = cmd_text(cmd, "reset");
    if (!path) return list(cmd, why);
    int rc = usb_reset(path, why);
    if (rc) return rc;
    json_t *result = cmd_result(cmd);
    json_object_set_new(result, "reset", json_text(path));
    cmd_print(cmd, result, text);
    return E_OK;
}

const struct verb verb_devices = {
    .name = "devices",
    .operands = "",
    .most = 0,
    .summary = "list the cameras and serial ports on the USB",
    .about =
        "Lists the cameras and the serial ports that hang on the USB, each with the line for the bench "
        "file,\n"
        "and says who has one open and what to do about it. A device is named by the sockets it hangs on\n"
        "(bus-port), which stay the same when it is plugged in again. Opens nothing, unless --reset asks for "
        "it.",
    .options = options,
    .run = run,
};
