#include "device/camera_wire.h"

#include <errno.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>

#include "base/mem.h"

#define LINE_MOST    (4u << 20) /* a card with tens of thousands of files */
#define PAYLOAD_MOST (1u << 30)
#define CHUNK        65536u

static int send_bytes(int fd, const void *bytes, size_t count, struct err *why)
{
    const uint8_t *at = bytes;
    while (count) {
        const ssize_t n = send(fd, at, count, MSG_NOSIGNAL);
        if (n > 0) {
            at += n;
            count -= (size_t)n;
        } else if (n < 0 && errno == EAGAIN) {
            poll(&(struct pollfd){.fd = fd, .events = POLLOUT}, 1, -1);
        } else if (n < 0 && errno != EINTR) {
            return fail_errno(why, E_IO, "the camera program cannot be talked to");
        }
    }
    return E_OK;
}

int camera_wire_send(struct camera_wire *w, json_t *body, const void *payload, size_t payload_count,
                     struct err *why)
{
    if (payload) json_object_set_new(body, "payload", json_integer((json_int_t)payload_count));
    char *line = body ? json_dumps(body, JSON_COMPACT) : NULL;
    json_decref(body);
    if (!line) return fail(why, E_NOMEM, "no memory for a message to the camera program");
    int rc = send_bytes(w->fd, line, strlen(line), why);
    if (!rc) rc = send_bytes(w->fd, "\n", 1, why);
    if (!rc && payload) rc = send_bytes(w->fd, payload, payload_count, why);
    free(line);
    return rc;
}

int camera_wire_read(struct camera_wire *w, struct err *why)
{
    if (w->room - w->count < CHUNK) {
        uint8_t *more = mem_grow(w->bytes, w->room, 2 * w->room + CHUNK, 1, why);
        if (!more) return E_NOMEM;
        w->bytes = more;
        w->room = 2 * w->room + CHUNK;
    }
    const ssize_t n = recv(w->fd, w->bytes + w->count, w->room - w->count, MSG_DONTWAIT);
    if (n > 0) w->count += (size_t)n;
    if (n > 0 || (n < 0 && (errno == EAGAIN || errno == EINTR))) return E_OK;
    return fail(why, E_IO, "the camera program has ended; it is started again");
}

static void drop_front(struct camera_wire *w, size_t count)
{
    w->count -= count;
    memmove(w->bytes, w->bytes + count, w->count);
}

bool camera_wire_take(struct camera_wire *w, struct camera_message *out, struct err *why)
{
    const uint8_t *end = w->count ? memchr(w->bytes, '\n', w->count) : NULL;
    *out = (struct camera_message){0};
    if (!end) {
        if (w->count > LINE_MOST)
            err_say(why, E_IO, "the camera program talks nonsense; it is started again");
        return false;
    }
    const size_t line = (size_t)(end - w->bytes) + 1;
    json_t *body = json_loadb((const char *)w->bytes, line - 1, JSON_REJECT_DUPLICATES, NULL);
    const int64_t payload = body ? camera_whole(body, "payload") : -1;
    if (!json_is_object(body) || payload < 0 || payload > (int64_t)PAYLOAD_MOST) {
        json_decref(body);
        err_say(why, E_IO, "the camera program talks nonsense; it is started again");
        return false;
    }
    if (w->count - line < (size_t)payload) {
        json_decref(body);
        return false;
    }
    if (payload && !(out->payload = mem_new((size_t)payload, 1, why))) {
        json_decref(body);
        return false;
    }
    if (payload) memcpy(out->payload, w->bytes + line, (size_t)payload);
    out->payload_count = (size_t)payload;
    out->body = body;
    drop_front(w, line + (size_t)payload);
    return true;
}

void camera_message_clear(struct camera_message *m)
{
    json_decref(m->body);
    mem_free(m->payload);
    *m = (struct camera_message){0};
}

void camera_wire_clear(struct camera_wire *w)
{
    mem_free(w->bytes);
    *w = (struct camera_wire){.fd = -1};
}

const char *camera_text(const json_t *body, const char *key)
{
    const char *text = json_string_value(json_object_get(body, key));
    return text ? text : "";
}

int64_t camera_whole(const json_t *body, const char *key)
{
    return (int64_t)json_integer_value(json_object_get(body, key));
}
