/* camera_wire.h - what staddle and its camera program say to each other: one JSON object a line, over a
 * socket pair; a message with "payload": N has N raw bytes behind its LF.
 *
 *   {"do": "open", "port": TEXT, "ram": BOOL}           -> {"re": "open", "code", "text", "model", "battery"}
 *   {"do": "set", "exposure_us", "f_number", "iso", "mirror_up_us"}     -> {"re": "set", "code", "text"}
 *   {"do": "list"}                                      -> {"re": "list", "code", "text", "files": [PATH...]}
 *   {"do": "size", "path"}                              -> {"re": "size", "code", "text", "bytes"}
 *   {"do": "preview"}                                   -> {"re": "preview", "code", "text", "payload"}
 *   {"do": "tell"}            -> {"re": "tell", "code", "text", and what told.h's told_read reads}
 *   {"do": "turn", "setting", "word"}                   -> {"re": "turn", "code", "text"}
 *   {"do": "lens"}                                      -> {"re": "lens", "code", "text", "order_most",
 * "sizes"}
 *   {"do": "drive", "order"}               -> {"re": "drive", "code", "text", "result", "took_us"} (lens.h)
 *   {"do": "trigger", "token"}  -> {"event": "object", "token", "path", "bytes"}..., {"event": "complete",
 * "token"} or {"event": "failed", "token", "code", "text"}
 *   {"event": "stray", "path"}                          before that: a file that no trigger was waiting for
 *   {"do": "fetch", "token", "path"}     -> {"event": "fetched", "token", "path", "code", "text", "payload",
 *                                           "gone": true where the camera cannot be reached any more}
 *   {"event": "battery", "level"}          after a transfer: it has changed; in the camera's own word
 *   {"event": "lost"}                      any time: the link went down, and is up again
 *   {"do": "close"}                                     the program ends
 *
 * Either end closing its socket ends the talk. `code` is an enum errc. */
#ifndef STADDLE_DEVICE_CAMERA_WIRE_H
#define STADDLE_DEVICE_CAMERA_WIRE_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/err.h"

#define CAMERA_WIRE_FD 3 /* of the program: where the talk is */

struct camera_wire {
    int fd;
    uint8_t *bytes; /* received and not yet taken */
    size_t count, room;
};

struct camera_message {
    json_t *body;
    uint8_t *payload; /* mem_free; NULL: none */
    size_t payload_count;
};

/* Sends all of it, waiting as long as the other end reads. Takes `body`. */
int camera_wire_send(struct camera_wire *, json_t *body, const void *payload, size_t payload_count,
                     struct err *);
/* Reads what is there. E_IO: the other end is gone, or talks nonsense. */
int camera_wire_read(struct camera_wire *, struct err *);
/* A whole message of those: true. */
bool camera_wire_take(struct camera_wire *, struct camera_message *out, struct err *);
void camera_message_clear(struct camera_message *);
void camera_wire_clear(struct camera_wire *); /* does not close */

/* Fields; absent or of another type: the default. */
const char *camera_text(const json_t *body, const char *key);
int64_t camera_whole(const json_t *body, const char *key);

#endif
