/* link_serial.h - a link to a serial port, by libserialport. Opening one may restart the board behind it (its
 * reset hangs on DTR), so the link asks to be listened to before anything is said. */
#ifndef STADDLE_DEVICE_LINK_SERIAL_H
#define STADDLE_DEVICE_LINK_SERIAL_H

#include "base/sched.h"
#include "device/link.h"

/* `baud` 0: 250000. */
int link_serial_open(struct sched *, const char *path, int32_t baud, struct link **out, struct err *);

#endif
