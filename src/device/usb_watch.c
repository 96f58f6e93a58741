#include "device/usb_watch.h"

#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <sys/time.h>
#include <unistd.h>

#include "base/mem.h"
#include "device/usb_part.h"

#define LOOK_MS 200 /* how soon the thread sees that it is to end */

struct news {
    bool arrived;
    char path[USB_PATH_ROOM];
};

struct usb_watch {
    struct sched *sched;
    usb_watch_fn *fn;
    void *arg;
    libusb_context *usb;
    libusb_hotplug_callback_handle handle;
    pthread_t thread;
    atomic_bool ends;
    int pipe[2];
};

static int on_plug(libusb_context *usb, libusb_device *device, libusb_hotplug_event event, void *arg)
{
    (void)usb;
    const struct usb_watch *w = arg;
    struct news n = {.arrived = event == LIBUSB_HOTPLUG_EVENT_DEVICE_ARRIVED};
    usb_path_of(device, n.path);
    /* a message of this size goes whole or not at all (POSIX, PIPE_BUF); a full pipe is nobody listening */
    const bool told = write(w->pipe[1], &n, sizeof n) == (ssize_t)sizeof n;
    (void)told;
    return 0;
}

static void *listen_for_them(void *arg)
{
    struct usb_watch *w = arg;
    while (!atomic_load(&w->ends)) {
        struct timeval most = {.tv_usec = LOOK_MS * 1000};
        libusb_handle_events_timeout_completed(w->usb, &most, NULL);
    }
    return NULL;
}

static void on_news(void *arg)
{
    struct usb_watch *w = arg;
    struct news n;
    while (read(w->pipe[0], &n, sizeof n) == (ssize_t)sizeof n)
        w->fn(w->arg, n.arrived, n.path);
}

static int listen_to_usb(struct usb_watch *w, struct err *why)
{
    const int both = LIBUSB_HOTPLUG_EVENT_DEVICE_ARRIVED | LIBUSB_HOTPLUG_EVENT_DEVICE_LEFT;
    int rc = libusb_init(&w->usb);
    if (rc) w->usb = NULL;
    if (!rc && !libusb_has_capability(LIBUSB_CAP_HAS_HOTPLUG)) rc = LIBUSB_ERROR_NOT_SUPPORTED;
    if (!rc)
        rc = libusb_hotplug_register_callback(w->usb, both, 0, LIBUSB_HOTPLUG_MATCH_ANY,
                                              LIBUSB_HOTPLUG_MATCH_ANY, LIBUSB_HOTPLUG_MATCH_ANY, on_plug, w,
                                              &w->handle);
    if (rc) return fail(why, E_UNSUPPORTED, "USB: cannot be watched here (%s)", libusb_error_name(rc));
    return E_OK;
}

static int start(struct usb_watch *w, struct err *why)
{
    if (pipe2(w->pipe, O_CLOEXEC | O_NONBLOCK)) return fail(why, E_IO, "USB: no pipe for its news");
    int rc = listen_to_usb(w, why);
    if (!rc) rc = sched_watch(w->sched, w->pipe[0], on_news, w, why);
    if (!rc && pthread_create(&w->thread, NULL, listen_for_them, w)) {
        sched_unwatch(w->sched, w->pipe[0]);
        rc = fail(why, E_NOMEM, "USB: no thread to watch it");
    }
    return rc;
}

static void drop(struct usb_watch *w)
{
    if (w->usb) libusb_exit(w->usb);
    if (w->pipe[0] >= 0) close(w->pipe[0]);
    if (w->pipe[1] >= 0) close(w->pipe[1]);
    mem_free(w);
}

int usb_watch_new(struct sched *sched, usb_watch_fn *fn, void *arg, struct usb_watch **out, struct err *why)
{
    if (sched_is_virtual(sched)) return fail(why, E_UNSUPPORTED, "USB: not watched on the virtual clock");
    struct usb_watch *w = mem_new(1, sizeof *w, why);
    if (!w) return E_NOMEM;
    *w = (struct usb_watch){.sched = sched, .fn = fn, .arg = arg, .pipe = {-1, -1}};
    int rc = start(w, why);
    if (rc)
        drop(w);
    else
        *out = w;
    return rc;
}

void usb_watch_free(struct usb_watch *w)
{
    if (!w) return;
    atomic_store(&w->ends, true);
    libusb_hotplug_deregister_callback(w->usb, w->handle);
    pthread_join(w->thread, NULL);
    sched_unwatch(w->sched, w->pipe[0]);
    drop(w);
}
