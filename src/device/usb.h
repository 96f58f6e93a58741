/* usb.h - what of this bench hangs on the USB: cameras, and serial ports that a rail controller may be
 * behind.
 *
 * A camera is told by the class of an interface (Still Image: 6, subclass 1, protocol 1), never by its maker.
 * A device is named by the sockets it hangs on (bus-port.port, "1-2.3"), which stay the same when it is
 * plugged in again; its address does not. Nothing here talks to a device. */
#ifndef STADDLE_DEVICE_USB_H
#define STADDLE_DEVICE_USB_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"

#define USB_PATH_ROOM 32
#define USB_TEXT_ROOM 128

struct usb_device {
    char path[USB_PATH_ROOM]; /* "1-2.3" */
    int bus, address;
    double speed_mbit;        /* 0 not told */
    char says[USB_TEXT_ROOM]; /* maker and product, as the device tells them */
    bool camera;
    char port[USB_TEXT_ROOM]; /* serial: a name that stays the same where there is one, else the device's; ""
                               */
    char holder[USB_TEXT_ROOM]; /* who has it open, "NAME (process 12)"; "" nobody that can be seen */
    bool allowed;               /* this user may open it */
};

/* The cameras and serial ports, by path. Free with mem_free. E_UNSUPPORTED: this machine has no USB that
 * could be asked. */
int usb_list(struct usb_device **out, int *count, struct err *why);

/* A camera's port as the camera library names it: a path ("1-2.3") becomes "usb:001,004", anything else
 * stays. E_IO when nothing is plugged in there. */
int usb_camera_port(const char *port, char *out, int room, struct err *why);
/* Is that text a path? */
bool usb_is_path(const char *text);

/* Where the camera of such a port hangs: "" when that cannot be told (none, or several where the first is
 * taken). */
void usb_camera_path(const char *port, char out[USB_PATH_ROOM]);

/* Restarts the device at the path, as if it had been unplugged. E_INPUT nothing there, E_STATE somebody has
 * it open or this user may not. */
int usb_reset(const char *path, struct err *why);

#endif
