#include "firmware/core/parts.h"

/* Defaults for a small carriage on a 2 mm screw, 200 steps, 16 microsteps: guesses on the slow side. */
static const struct {
    int32_t least, most, usual;
} KEYS[WIRE_KEYS] WIRE_TABLE = {
    [WIRE_KEY_SPEED] = {10, 40000, 16000},      [WIRE_KEY_ACCEL] = {1000, 400000, 40000},
    [WIRE_KEY_JUMP] = {10, 40000, 6400},        [WIRE_KEY_CREEP] = {10, 40000, 800},
    [WIRE_KEY_IDLE_MS] = {0, 60000, 100},       [WIRE_KEY_WAKE_US] = {1000, 20000, 1500},
    [WIRE_KEY_SHUTTER_MS] = {1, 600000, 65000}, [WIRE_KEY_SWITCHES] = {0, 7, 7},
    [WIRE_KEY_SPAN] = {1000, 20000000, 800000}, [WIRE_KEY_LEAVE] = {100, 60000, 3200},
    [WIRE_KEY_CLEARANCE] = {1, 60000, 160},     [WIRE_KEY_REVERSE] = {0, 1, 0},
    [WIRE_KEY_SMOOTH_MS] = {0, 128, 32},
};

#define STORE_FORMAT 1

bool settings_in_range(uint8_t key, int32_t value)
{
    return value >= (int32_t)WIRE_READ32(&KEYS[key].least) && value <= (int32_t)WIRE_READ32(&KEYS[key].most);
}

static uint16_t checksum(const uint8_t *bytes, uint8_t count)
{
    uint16_t crc = WIRE_CRC_START;
    while (count--)
        crc = wire_crc(crc, *bytes++);
    return crc;
}

static void put16(uint8_t *bytes, uint16_t value)
{
    bytes[0] = (uint8_t)(value & 0xffu);
    bytes[1] = (uint8_t)(value >> 8);
}

static uint16_t get16(const uint8_t *bytes)
{
    return (uint16_t)(bytes[0] | (uint16_t)(bytes[1] << 8));
}

/* A slot: its count of savings, the format, the keys, a checksum; least significant bytes first. */
static bool read_slot(struct core *c, uint8_t slot, uint16_t *count, int32_t *keys)
{
    uint8_t bytes[CORE_STORE_SIZE];
    if (!c->port.load || !c->port.load(c->port.arg, slot, bytes, CORE_STORE_SIZE)) return false;
    if (checksum(bytes, CORE_STORE_SIZE - 2) != get16(bytes + CORE_STORE_SIZE - 2)) return false;
    if (get16(bytes + 2) != STORE_FORMAT) return false;
    for (int k = 0; k < WIRE_KEYS; k++) {
        const uint8_t *at = bytes + 4 + 4 * k;
        keys[k] = (int32_t)((uint32_t)get16(at) | (uint32_t)get16(at + 2) << 16);
        if (!settings_in_range((uint8_t)k, keys[k])) return false;
    }
    *count = get16(bytes);
    return true;
}

void settings_load(struct core *c)
{
    uint16_t count[2] = {0, 0};
    int32_t keys[2][WIRE_KEYS];
    bool good[2];
    for (uint8_t slot = 0; slot < 2; slot++)
        good[slot] = read_slot(c, slot, &count[slot], keys[slot]);
    uint16_t ahead = (uint16_t)(count[1] - count[0]); /* wraps */
    uint8_t use = good[1] && (!good[0] || (ahead != 0 && ahead < 0x8000u));
    c->settings_good = good[use];
    c->store_slot = use;
    c->store_count = count[use];
    for (int k = 0; k < WIRE_KEYS; k++)
        c->keys[k] = good[use] ? keys[use][k] : (int32_t)WIRE_READ32(&KEYS[k].usual);
}

/* Writes the slot that is not in use, so that a torn write leaves the other. */
bool settings_save(struct core *c)
{
    uint8_t bytes[CORE_STORE_SIZE];
    uint8_t slot = c->store_slot ^ 1u;
    uint16_t count = (uint16_t)(c->store_count + 1), back;
    int32_t keys[WIRE_KEYS];
    put16(bytes, count);
    put16(bytes + 2, STORE_FORMAT);
    for (int k = 0; k < WIRE_KEYS; k++) {
        put16(bytes + 4 + 4 * k, (uint16_t)((uint32_t)c->keys[k] & 0xffffu));
        put16(bytes + 6 + 4 * k, (uint16_t)((uint32_t)c->keys[k] >> 16));
    }
    put16(bytes + CORE_STORE_SIZE - 2, checksum(bytes, CORE_STORE_SIZE - 2));
    if (!c->port.save || !c->port.save(c->port.arg, slot, bytes, CORE_STORE_SIZE)) return false;
    if (!read_slot(c, slot, &back, keys) || back != count) return false;
    c->store_slot = slot;
    c->store_count = count;
    c->settings_good = true;
    return true;
}
