#include "device/camera_ask.h"

#include "image/decode.h"

#define TELL_US 15000000 /* a body with two hundred settings takes some seconds (guess) */
#define TURN_US 10000000

enum file_role camera_ask_role(const uint8_t *bytes, size_t count)
{
    switch (image_sniff(bytes, count)) {
    case IMAGE_JPEG:
        return FILE_JPEG;
    case IMAGE_PNG:
    case IMAGE_TIFF:
        return FILE_OTHER;
    case IMAGE_RAW:
    case IMAGE_UNKNOWN: /* a new body's raw, most likely */
        break;
    }
    return FILE_RAW;
}

int camera_ask_tell(struct camera *c, struct told *out, struct err *why)
{
    struct camera_message m = {0};
    int rc = camera_gphoto_ask(c, json_pack("{s:s}", "do", "tell"), TELL_US, &m, why);
    if (rc) return rc;
    rc = told_read(m.body, out, why);
    if (!rc) out->asked_wall_us = camera_gphoto_wall_us(c);
    camera_message_clear(&m);
    return rc;
}

int camera_ask_turn(struct camera *c, const char *setting, const char *word, struct err *why)
{
    struct camera_message m = {0};
    json_t *order = json_pack("{s:s, s:s, s:s}", "do", "turn", "setting", setting, "word", word);
    int rc = camera_gphoto_ask(c, order, TURN_US, &m, why);
    if (!rc) camera_message_clear(&m);
    return rc;
}
