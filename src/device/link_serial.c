#include "device/link_serial.h"

#include <errno.h>
#include <fcntl.h>
#include <libserialport.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>

#include "base/mem.h"
#include "device/link_tty.h"

#define LISTEN_US 2500000 /* common boards start within 2 s of a reset */
#define LIST_ROOM 200

static void close_it(void *handle, int fd)
{
    (void)fd;
    sp_close(handle);
    sp_free_port(handle);
}

/* The ports that there are, for the sentence about the one that is not. */
static int no_such_port(const char *path, struct err *why)
{
    struct sp_port **ports;
    char list[LIST_ROOM] = "";
    if (sp_list_ports(&ports) == SP_OK) {
        for (size_t i = 0, used = 0; ports[i] && used < LIST_ROOM - 40; i++)
            used += (size_t)snprintf(list + used, LIST_ROOM - used, "%s%.36s", used ? ", " : "",
                                     sp_get_port_name(ports[i]));
        sp_free_port_list(ports);
    }
    return fail(why, E_INPUT, "rail: %s: there is no such port; is the cable in, is axis.link right? %s%s",
                path, list[0] ? "There are: " : "There is none at all", list);
}

static int not_a_port(const char *path, struct err *why)
{
    struct stat st;
    if (stat(path, &st)) return no_such_port(path, why);
    return fail(why, E_INPUT, "rail: %s is no serial port; is axis.link right?", path);
}

/* libserialport leaves the system's reason in errno where it fails with SP_ERR_FAIL. */
static int refused(const char *path, enum sp_return rc, struct err *why)
{
    int error = errno;
    if (rc == SP_ERR_MEM) return fail(why, E_NOMEM, "no memory for the port");
    if (rc == SP_ERR_ARG || error == ENOENT) return not_a_port(path, why);
    return link_tty_refused(path, rc == SP_ERR_FAIL ? error : EINVAL, why);
}

static int set_up(struct sp_port *port, int32_t baud)
{
    int rc = sp_set_baudrate(port, baud);
    if (rc == SP_OK) rc = sp_set_bits(port, 8);
    if (rc == SP_OK) rc = sp_set_parity(port, SP_PARITY_NONE);
    if (rc == SP_OK) rc = sp_set_stopbits(port, 1);
    if (rc == SP_OK) rc = sp_set_flowcontrol(port, SP_FLOWCONTROL_NONE);
    return rc;
}

static int prepare(struct sp_port *port, const char *path, int32_t baud, int *fd, struct err *why)
{
    if (sp_get_port_handle(port, fd) != SP_OK) return fail(why, E_IO, "rail: %s cannot be used", path);
    int rc = link_tty_claim(*fd, path, why);
    if (rc) return rc;
    fcntl(*fd, F_SETFD, FD_CLOEXEC);
    if (ioctl(*fd, TIOCEXCL)) return link_tty_refused(path, errno, why);
    if (set_up(port, baud) != SP_OK)
        return fail(why, E_INPUT, "rail: %s does not do %d baud; is axis.baud right?", path, (int)baud);
    return E_OK;
}

/* The library takes nothing but names of the system's own list: a stable name under /dev/serial leads there.
 */
static int find_port(const char *path, struct sp_port **port, struct err *why)
{
    char real[PATH_MAX];
    if (!realpath(path, real))
        return errno == ENOENT ? no_such_port(path, why) : link_tty_refused(path, errno, why);
    errno = 0;
    enum sp_return got = sp_get_port_by_name(real, port);
    return got == SP_OK ? E_OK : refused(path, got, why);
}

int link_serial_open(struct sched *sched, const char *path, int32_t baud, struct link **out, struct err *why)
{
    struct sp_port *port = NULL;
    int fd = -1;
    int rc = find_port(path, &port, why);
    if (rc) return rc;
    errno = 0;
    enum sp_return got = sp_open(port, SP_MODE_READ_WRITE);
    if (got != SP_OK) {
        rc = refused(path, got, why);
        sp_free_port(port);
        return rc;
    }
    rc = prepare(port, path, baud ? baud : LINK_BAUD_USUAL, &fd, why);
    if (rc) {
        close_it(port, fd);
        return rc;
    }
    return link_tty_open(sched, fd, path, &(struct link_tty_owner){"a serial port", port, close_it},
                         LISTEN_US, out, why);
}
