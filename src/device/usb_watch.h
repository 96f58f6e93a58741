/* usb_watch.h - tells when something is plugged in or pulled out. libusb's own events on a thread of their
 * own, delivered on the scheduler's. */
#ifndef STADDLE_DEVICE_USB_WATCH_H
#define STADDLE_DEVICE_USB_WATCH_H

#include <stdbool.h>

#include "base/sched.h"
#include "device/usb.h"

typedef void usb_watch_fn(void *arg, bool arrived, const char *path);

struct usb_watch;

/* E_UNSUPPORTED: on the virtual clock, and where there is no USB that could be asked. */
int usb_watch_new(struct sched *sched, usb_watch_fn *fn, void *arg, struct usb_watch **out, struct err *why);
void usb_watch_free(struct usb_watch *); /* NULL is fine */

#endif
