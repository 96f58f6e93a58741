/* scene.c - the list of sheets. */
#include <string.h>

#include "base/mem.h"
#include "sim/inside.h"

#define ROOM_PX 32 /* around the frame: shake and the last little bit of perspective */

struct sheet *scene_add(struct scene *s, struct err *why)
{
    if (s->count == s->room) {
        int32_t room = s->room ? 2 * s->room : 16;
        struct sheet *more = mem_grow(s->sheets, (size_t)s->room, (size_t)room, sizeof *more, why);
        if (!more) return NULL;
        s->sheets = more;
        s->room = room;
    }
    struct sheet *sheet = &s->sheets[s->count++];
    memset(sheet, 0, sizeof *sheet);
    return sheet;
}

void scene_clear(struct scene *s)
{
    for (int32_t i = 0; i < s->count; i++)
        sheet_clear(&s->sheets[i]);
    mem_free(s->sheets);
    memset(s, 0, sizeof *s);
}

struct rect scene_room(const struct scene_frame *f)
{
    int32_t right = (f->width_px + ROOM_PX + SHEET_ALIGN - 1) / SHEET_ALIGN * SHEET_ALIGN;
    int32_t bottom = (f->height_px + ROOM_PX + SHEET_ALIGN - 1) / SHEET_ALIGN * SHEET_ALIGN;
    return (struct rect){-ROOM_PX, -ROOM_PX, right, bottom};
}
