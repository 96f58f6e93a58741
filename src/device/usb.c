/* Base specifications: USB 2.0 chapter 9 (descriptors, addresses); USB Still Image Capture Device
 * Definition 1.0 (class 6, subclass 1, protocol 1). */
#include "device/usb.h"

#include <dirent.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <libserialport.h>
#include "base/holder.h"
#include "base/mem.h"
#include "device/usb_part.h"

#define STILL_IMAGE_SUBCLASS 1
#define STILL_IMAGE_PROTOCOL 1
#define PORTS_DEEP           7 /* USB 2.0 4.1.1: tiers */
#define STABLE_NAMES         "/dev/serial/by-id"

static int no_usb(int error, struct err *why)
{
    return fail(why, E_UNSUPPORTED, "USB: this machine's USB cannot be asked (%s)", libusb_error_name(error));
}

static int begin(libusb_context **usb, libusb_device ***list, ssize_t *count, struct err *why)
{
    int rc = libusb_init(usb);
    if (rc) return no_usb(rc, why);
    *count = libusb_get_device_list(*usb, list);
    if (*count >= 0) return E_OK;
    libusb_exit(*usb);
    return no_usb((int)*count, why);
}

static void end(libusb_context *usb, libusb_device **list)
{
    libusb_free_device_list(list, 1);
    libusb_exit(usb);
}

void usb_path_of(libusb_device *device, char out[USB_PATH_ROOM])
{
    uint8_t ports[PORTS_DEEP];
    const int deep = libusb_get_port_numbers(device, ports, PORTS_DEEP);
    int used = snprintf(out, USB_PATH_ROOM, "%d", libusb_get_bus_number(device));
    for (int i = 0; i < deep && used < USB_PATH_ROOM; i++)
        used += snprintf(out + used, USB_PATH_ROOM - (size_t)used, "%c%d", i ? '.' : '-', ports[i]);
}

static bool is_camera(libusb_device *device)
{
    struct libusb_config_descriptor *config;
    bool found = false;
    if (libusb_get_active_config_descriptor(device, &config)) return false;
    for (int i = 0; i < config->bNumInterfaces; i++)
        for (int k = 0; k < config->interface[i].num_altsetting; k++) {
            const struct libusb_interface_descriptor *d = &config->interface[i].altsetting[k];
            found = found || (d->bInterfaceClass == LIBUSB_CLASS_IMAGE &&
                              d->bInterfaceSubClass == STILL_IMAGE_SUBCLASS &&
                              d->bInterfaceProtocol == STILL_IMAGE_PROTOCOL);
        }
    libusb_free_config_descriptor(config);
    return found;
}

static double speed_of(libusb_device *device)
{
    switch (libusb_get_device_speed(device)) {
    case LIBUSB_SPEED_LOW:
        return 1.5;
    case LIBUSB_SPEED_FULL:
        return 12;
    case LIBUSB_SPEED_HIGH:
        return 480;
    case LIBUSB_SPEED_SUPER:
        return 5000;
    case LIBUSB_SPEED_SUPER_PLUS:
        return 10000;
    default:
        return 0;
    }
}

/* What the system has read of the device when it was plugged in, so that nobody has to open it now. */
static void read_word(const char *path, const char *which, char *out, size_t room)
{
    char file[PATH_MAX];
    snprintf(file, sizeof file, "/sys/bus/usb/devices/%s/%s", path, which);
    FILE *f = fopen(file, "r");
    out[0] = '\0';
    if (!f) return;
    if (fgets(out, (int)room, f)) out[strcspn(out, "\n")] = '\0';
    fclose(f);
    for (char *c = out; *c; c++)
        if ((unsigned char)*c < ' ' || *c == 127) *c = '?';
}

static void what_it_says(struct usb_device *d)
{
    char maker[USB_TEXT_ROOM / 2], product[USB_TEXT_ROOM / 2];
    read_word(d->path, "manufacturer", maker, sizeof maker);
    read_word(d->path, "product", product, sizeof product);
    snprintf(d->says, sizeof d->says, "%s%s%s", maker, maker[0] && product[0] ? " " : "", product);
}

static void node_of(const struct usb_device *d, char out[PATH_MAX])
{
    snprintf(out, PATH_MAX, "/dev/bus/usb/%03d/%03d", d->bus, d->address);
}

static void who_has(const char *node, struct usb_device *d)
{
    d->allowed = access(node, R_OK | W_OK) == 0;
    find_holder(node, d->holder, sizeof d->holder);
}

/* The name under which the system links to a port by what is plugged in, or the port's own. */
static void stable_name(const char *port, char *out, size_t room)
{
    char link[PATH_MAX], real[PATH_MAX];
    DIR *dir = opendir(STABLE_NAMES);
    bool found = false;
    snprintf(out, room, "%s", port);
    for (struct dirent *e; dir && !found && (e = readdir(dir));) {
        snprintf(link, sizeof link, STABLE_NAMES "/%s", e->d_name);
        found = realpath(link, real) && !strcmp(real, port);
    }
    if (found) snprintf(out, room, "%.*s", (int)room - 1, link);
    if (dir) closedir(dir);
}

/* Where the serial ports hang. */
static void add_ports(struct usb_device *devices, int count)
{
    struct sp_port **ports;
    if (sp_list_ports(&ports) != SP_OK) return;
    for (int i = 0; ports[i]; i++) {
        int bus, address;
        if (sp_get_port_transport(ports[i]) != SP_TRANSPORT_USB ||
            sp_get_port_usb_bus_address(ports[i], &bus, &address) != SP_OK)
            continue;
        for (int k = 0; k < count; k++) {
            struct usb_device *d = &devices[k];
            if (d->bus != bus || d->address != address || d->port[0]) continue;
            const char *name = sp_get_port_name(ports[i]);
            stable_name(name, d->port, sizeof d->port);
            who_has(name, d);
        }
    }
    sp_free_port_list(ports);
}

static int by_path(const void *a, const void *b)
{
    return strverscmp(((const struct usb_device *)a)->path, ((const struct usb_device *)b)->path);
}

int usb_list(struct usb_device **out, int *count, struct err *why)
{
    libusb_context *usb;
    libusb_device **list;
    ssize_t all;
    int rc = begin(&usb, &list, &all, why), kept = 0;
    if (rc) return rc;
    struct usb_device *devices = mem_new((size_t)all + 1, sizeof *devices, why);
    for (ssize_t i = 0; devices && i < all; i++) {
        struct usb_device *d = &devices[i];
        usb_path_of(list[i], d->path);
        d->bus = libusb_get_bus_number(list[i]);
        d->address = libusb_get_device_address(list[i]);
        d->speed_mbit = speed_of(list[i]);
        d->camera = is_camera(list[i]);
    }
    end(usb, list);
    if (!devices) return E_NOMEM;
    add_ports(devices, (int)all);
    for (ssize_t i = 0; i < all; i++) {
        struct usb_device *d = &devices[i];
        char node[PATH_MAX];
        if (!d->camera && !d->port[0]) continue;
        what_it_says(d);
        node_of(d, node);
        if (d->camera) who_has(node, d);
        devices[kept++] = *d;
    }
    qsort(devices, (size_t)kept, sizeof *devices, by_path);
    *out = devices;
    *count = kept;
    return E_OK;
}

bool usb_is_path(const char *text)
{
    int bus, port, read = 0;
    if (sscanf(text, "%3d-%3d%n", &bus, &port, &read) != 2) return false;
    return strspn(text + read, ".0123456789") == strlen(text + read);
}

int usb_camera_port(const char *port, char *out, int room, struct err *why)
{
    struct usb_device *devices;
    int count, rc = E_OK;
    if (!usb_is_path(port)) {
        snprintf(out, (size_t)room, "%s", port);
        return E_OK;
    }
    if ((rc = usb_list(&devices, &count, why))) return rc;
    rc = fail(why, E_IO, "camera: no camera hangs on USB %s; is its cable in, is it switched on?", port);
    for (int i = 0; i < count; i++)
        if (devices[i].camera && !strcmp(devices[i].path, port)) {
            snprintf(out, (size_t)room, "usb:%03d,%03d", devices[i].bus, devices[i].address);
            rc = E_OK;
        }
    mem_free(devices);
    return rc;
}

void usb_camera_path(const char *port, char out[USB_PATH_ROOM])
{
    struct usb_device *devices;
    struct err why;
    int count, cameras = 0;
    out[0] = '\0';
    if (usb_is_path(port)) snprintf(out, USB_PATH_ROOM, "%s", port);
    if (out[0] || (port[0] && strncmp(port, "usb:", 4) != 0) || usb_list(&devices, &count, &why)) return;
    for (int i = 0; i < count; i++) {
        char name[32];
        snprintf(name, sizeof name, "usb:%03d,%03d", devices[i].bus, devices[i].address);
        if (!devices[i].camera || (port[0] && strcmp(port, name) != 0)) continue;
        snprintf(out, USB_PATH_ROOM, "%s", devices[i].path);
        cameras++;
    }
    if (cameras != 1) out[0] = '\0';
    mem_free(devices);
}

static int reset_it(libusb_device *device, const char *path, struct err *why)
{
    libusb_device_handle *handle;
    int rc = libusb_open(device, &handle);
    if (rc == LIBUSB_ERROR_ACCESS)
        return fail(why, E_STATE, "USB %s may not be opened by this user; README says how to allow it", path);
    if (rc) return fail(why, E_IO, "USB %s cannot be opened: %s", path, libusb_strerror(rc));
    rc = libusb_reset_device(handle);
    libusb_close(handle);
    /* NOT_FOUND: it came back under another address, which is as good */
    if (rc && rc != LIBUSB_ERROR_NOT_FOUND)
        return fail(why, E_IO, "USB %s could not be restarted: %s; unplug it and plug it in again", path,
                    libusb_strerror(rc));
    return E_OK;
}

int usb_reset(const char *path, struct err *why)
{
    libusb_context *usb;
    libusb_device **list;
    ssize_t all;
    int rc = begin(&usb, &list, &all, why);
    if (rc) return rc;
    rc = fail(why, E_INPUT, "USB %s: nothing is plugged in there; 'staddle devices' lists what is", path);
    for (ssize_t i = 0; i < all; i++) {
        struct usb_device d = {.bus = libusb_get_bus_number(list[i]),
                               .address = libusb_get_device_address(list[i])};
        char node[PATH_MAX];
        usb_path_of(list[i], d.path);
        if (strcmp(d.path, path) != 0) continue;
        node_of(&d, node);
        who_has(node, &d);
        rc = d.holder[0] ? fail(why, E_STATE, "USB %s is in use by %s; end that first", path, d.holder)
                         : reset_it(list[i], path, why);
    }
    end(usb, list);
    return rc;
}
