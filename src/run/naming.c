#include "run/naming.h"

#include <ctype.h>
#include <string.h>

/* FNV-1a: Fowler, Noll, Vo, "The FNV Non-Cryptographic Hash Algorithm" (the IETF draft of that name). */
uint64_t stack_mark(const struct stack_info *info)
{
    const uint64_t words[] = {(uint64_t)info->created_wall_us, info->seed};
    uint64_t h = UINT64_C(0xcbf29ce484222325);
    for (size_t i = 0; i < sizeof words; i++)
        h = (h ^ (words[i / 8] >> 8 * (i % 8) & 0xff)) * UINT64_C(0x100000001b3);
    return (h >> CAMERA_TOKEN_OWN_BITS) << CAMERA_TOKEN_OWN_BITS;
}

uint64_t exposure_token(uint64_t mark, const struct exposure_row *e)
{
    uint64_t plan = e->purpose == PURPOSE_STACK ? (uint64_t)e->plan_id & 0xf : 0;
    return mark | plan << 40 | (uint64_t)e->purpose << 36 | ((uint64_t)e->slice & 0xfffff) << 16 |
           ((uint64_t)e->attempt & 0xffff);
}

const char *frame_ending(const struct camera_object *o, char room[12])
{
    const char *dot = strrchr(o->name, '.');
    size_t n = 0;
    if (o->role == FILE_JPEG) return "jpg";
    for (; dot && dot[1 + n] && n < 10 && isalnum((unsigned char)dot[1 + n]); n++)
        room[n] = (char)tolower((unsigned char)dot[1 + n]);
    room[n] = '\0';
    const bool lies = !strcmp(room, "jpg") || !strcmp(room, "jpeg"); /* by its content it is none */
    return n && !lies ? room : "raw";
}

void file_row_tell(struct file_row *f, const struct image_facts *facts)
{
    f->width_px = facts->width_px;
    f->height_px = facts->height_px;
    f->captured_wall_us = facts->captured_wall_us;
    if (facts->exposure_us > 0) f->exposure_us = facts->exposure_us;
    f->f_number = facts->f_number;
    f->iso = facts->iso;
}
