/* usb_part.h - used only by usb*.c. */
#ifndef STADDLE_DEVICE_USB_PART_H
#define STADDLE_DEVICE_USB_PART_H

#include <libusb.h>

#include "device/usb.h"

/* "1-2.3": bus, then the sockets from the machine on. */
void usb_path_of(libusb_device *, char out[USB_PATH_ROOM]);

#endif
