/* ptp_bytes.h - the little-endian fields of ISO 15740 (PTP) datasets, written and read. Written from the
 * standard's clause 5 (data types: integers, arrays with a 32-bit count, strings of UTF-16 with an 8-bit
 * count that includes the terminator); from memory. */
#ifndef TESTS_EMULATOR_PTP_BYTES_H
#define TESTS_EMULATOR_PTP_BYTES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* A dataset that grows; put_free it. */
struct ptp_out {
    uint8_t *bytes;
    size_t count, room;
};

void put_free(struct ptp_out *);
void put_bytes(struct ptp_out *, const void *bytes, size_t count);
void put_uint(struct ptp_out *, uint64_t value, int width_bytes);
void put_u8(struct ptp_out *, uint8_t);
void put_u16(struct ptp_out *, uint16_t);
void put_u32(struct ptp_out *, uint32_t);
void put_u64(struct ptp_out *, uint64_t);
void put_string(struct ptp_out *, const char *ascii); /* at most 254 characters */
void put_u16_list(struct ptp_out *, const uint16_t *values, uint32_t count);

/* What is left of a dataset; `broken` once more was asked for than there is. */
struct ptp_in {
    const uint8_t *at;
    size_t left;
    bool broken;
};

uint64_t get_uint(struct ptp_in *, int width_bytes);
uint32_t get_u32(struct ptp_in *);
uint16_t get_u16(struct ptp_in *);

#endif
