/* far_wire.h - what goes over the socket of a far bench; the same program at both ends. */
#ifndef TESTS_SUPPORT_FAR_WIRE_H
#define TESTS_SUPPORT_FAR_WIRE_H

#include "device/camera.h"
#include "tests/support/far_page.h"

#define FAR_LINE_MOST 4096

struct far_call {
    int32_t word; /* enum far_word: first, so that what is preloaded sees it */
    int32_t count;
    int64_t us; /* STEP: how far to go at most */
    uint64_t token;
    struct camera_settings settings;
    struct camera_object object;
    uint8_t bytes[256]; /* SEND */
};

struct far_answer {
    int32_t rc, count;
    struct err why;
    int64_t us;     /* STEP: how far it went */
    int32_t camera; /* STEP: it has something to say */
    struct camera_facts facts;
    struct camera_event event; /* its bytes follow: byte_count of them */
    struct camera_object held[FRAME_FILES_MOST];
    uint8_t line[FAR_LINE_MOST]; /* STEP: count bytes of the controller's */
};

#endif
