/* link_tty.h - what the two links over a terminal device share: an open descriptor that becomes a link, and
 * the care that a port needs whoever opened it.
 *
 * The order of opening (hw-docs/wire.md, 9): open, clear HUPCL, lock, TIOCEXCL, speed, empty. HUPCL comes
 * first: were the host killed before that, the driver would drop DTR, and the next opening would restart the
 * board. */
#ifndef STADDLE_DEVICE_LINK_TTY_H
#define STADDLE_DEVICE_LINK_TTY_H

#include <stdbool.h>

#include "base/sched.h"
#include "device/link.h"

#define LINK_BAUD_USUAL 250000

/* How the descriptor was opened decides how it is closed. */
struct link_tty_owner {
    const char *name;
    void *handle;
    void (*close)(void *handle, int fd);
};

/* Clears HUPCL and locks the port. E_STATE with the name of who holds it. */
int link_tty_claim(int fd, const char *path, struct err *);

/* Makes a link of a descriptor that is set up and does not block. Takes it, also when it fails. `listen_us`:
 * see link.h. */
int link_tty_open(struct sched *, int fd, const char *path, const struct link_tty_owner *, int64_t listen_us,
                  struct link **out, struct err *);

/* Why the port could not be opened, by errno: E_INPUT where there is none, E_STATE where it is not allowed or
 * busy. */
int link_tty_refused(const char *path, int error, struct err *);

#endif
