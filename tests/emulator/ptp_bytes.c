#include "tests/emulator/ptp_bytes.h"

#include <stdlib.h>
#include <string.h>

void put_free(struct ptp_out *o)
{
    free(o->bytes);
    *o = (struct ptp_out){0};
}

void put_bytes(struct ptp_out *o, const void *bytes, size_t count)
{
    if (o->count + count > o->room) {
        o->room = 2 * (o->count + count) + 64;
        o->bytes = realloc(o->bytes, o->room);
        if (!o->bytes) abort();
    }
    if (count) memcpy(o->bytes + o->count, bytes, count);
    o->count += count;
}

void put_uint(struct ptp_out *o, uint64_t value, int width_bytes)
{
    uint8_t b[8];
    for (int i = 0; i < width_bytes; i++)
        b[i] = (uint8_t)(value >> 8 * i);
    put_bytes(o, b, (size_t)width_bytes);
}

void put_u8(struct ptp_out *o, uint8_t v)
{
    put_uint(o, v, 1);
}

void put_u16(struct ptp_out *o, uint16_t v)
{
    put_uint(o, v, 2);
}

void put_u32(struct ptp_out *o, uint32_t v)
{
    put_uint(o, v, 4);
}

void put_u64(struct ptp_out *o, uint64_t v)
{
    put_uint(o, v, 8);
}

void put_string(struct ptp_out *o, const char *ascii)
{
    const size_t n = strlen(ascii);
    put_u8(o, n ? (uint8_t)(n + 1) : 0);
    for (size_t i = 0; n && i <= n; i++)
        put_u16(o, (uint8_t)ascii[i]);
}

void put_u16_list(struct ptp_out *o, const uint16_t *values, uint32_t count)
{
    put_u32(o, count);
    for (uint32_t i = 0; i < count; i++)
        put_u16(o, values[i]);
}

uint64_t get_uint(struct ptp_in *in, int width_bytes)
{
    uint64_t v = 0;
    if (in->left < (size_t)width_bytes) {
        in->broken = true;
        in->left = 0;
        return 0;
    }
    for (int i = 0; i < width_bytes; i++)
        v |= (uint64_t)in->at[i] << 8 * i;
    in->at += width_bytes;
    in->left -= (size_t)width_bytes;
    return v;
}

uint32_t get_u32(struct ptp_in *in)
{
    return (uint32_t)get_uint(in, 4);
}

uint16_t get_u16(struct ptp_in *in)
{
    return (uint16_t)get_uint(in, 2);
}
