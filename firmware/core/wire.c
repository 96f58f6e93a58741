#include "staddle/wire.h"

static const char HEX[] WIRE_TABLE = "0123456789abcdef";

uint16_t wire_crc(uint16_t crc, uint8_t byte)
{
    uint8_t x = (uint8_t)(byte ^ (crc & 0xffu));
    x = (uint8_t)(x ^ (uint8_t)(x << 4));
    return (uint16_t)((crc >> 8) ^ ((uint16_t)x << 8) ^ ((uint16_t)x << 3) ^ (x >> 4));
}

uint8_t wire_seq_after(uint8_t seq)
{
    return seq == 0xff ? 1 : (uint8_t)(seq + 1);
}

static void put(struct wire_out *o, char c)
{
    /* Room stays for " CRC". */
    if (o->count + 4 >= o->most) {
        o->too_long = true;
        return;
    }
    o->text[o->count++] = c;
}

static char hex_digit(uint16_t value, uint8_t place)
{
    return (char)WIRE_READ8(&HEX[(uint8_t)(value >> (4 * place)) & 15u]);
}

static void put_hex(struct wire_out *o, uint16_t value, uint8_t digits)
{
    while (digits--)
        put(o, hex_digit(value, digits));
}

void wire_begin(struct wire_out *o, uint8_t seq, uint8_t most)
{
    o->count = 0;
    o->most = most;
    o->too_long = false;
    put_hex(o, seq, 2);
    put(o, ' ');
    put_hex(o, 0, 2); /* LEN comes in wire_end */
}

void wire_word(struct wire_out *o, const char *word)
{
    put(o, ' ');
    for (; *word; word++)
        put(o, *word);
}

void wire_uint(struct wire_out *o, uint32_t value)
{
    /* Counting down powers of ten: a small chip has no division, and makes one in 40 us. */
    static const uint32_t POWERS[] WIRE_TABLE = {1000000000, 100000000, 10000000, 1000000, 100000,
                                                 10000,      1000,      100,      10,      1};
    put(o, ' ');
    for (uint8_t i = 0; i < 10; i++) {
        uint32_t power = WIRE_READ32(&POWERS[i]);
        char digit = '0';
        if (i < 9 && value < power && o->text[o->count - 1] == ' ') continue; /* no leading zeros */
        for (; value >= power; value -= power)
            digit++;
        put(o, digit);
    }
}

void wire_int(struct wire_out *o, int32_t value)
{
    if (value >= 0) {
        wire_uint(o, (uint32_t)value);
        return;
    }
    uint8_t at = o->count;
    wire_uint(o, 0u - (uint32_t)value);
    if (o->too_long) return;
    put(o, ' '); /* one more character, then the digits move up */
    if (o->too_long) return;
    for (uint8_t i = (uint8_t)(o->count - 1); i > at + 1; i--)
        o->text[i] = o->text[i - 1];
    o->text[at + 1] = '-';
}

void wire_hex4(struct wire_out *o, uint16_t value)
{
    put(o, ' ');
    put_hex(o, value, 4);
}

bool wire_end(struct wire_out *o)
{
    put(o, ' ');
    if (o->too_long) return false;
    uint8_t whole = (uint8_t)(o->count + 4);
    o->text[3] = (char)WIRE_READ8(&HEX[whole >> 4]);
    o->text[4] = (char)WIRE_READ8(&HEX[whole & 15u]);
    uint16_t crc = WIRE_CRC_START;
    for (uint8_t i = 0; i < o->count; i++)
        crc = wire_crc(crc, (uint8_t)o->text[i]);
    for (uint8_t place = 4; place-- > 0;)
        o->text[o->count++] = hex_digit(crc, place);
    o->text[o->count++] = '\n';
    o->text[o->count] = '\0';
    return true;
}

static bool hex_value(char c, uint16_t *value)
{
    if (c >= '0' && c <= '9')
        *value = (uint16_t)(*value * 16u + (uint16_t)(c - '0'));
    else if (c >= 'a' && c <= 'f')
        *value = (uint16_t)(*value * 16u + 10u + (uint16_t)(c - 'a'));
    else
        return false;
    return true;
}

static bool read_hex(const char *text, uint8_t digits, uint16_t *value)
{
    *value = 0;
    while (digits--)
        if (!hex_value(*text++, value)) return false;
    return true;
}

bool wire_open(struct wire_in *in, const char *line, uint8_t count)
{
    uint16_t seq, length, sent, crc = WIRE_CRC_START;
    if (count < 12 || count > WIRE_REPLY_MOST) return false;
    if (!read_hex(line, 2, &seq) || !read_hex(line + 3, 2, &length) || length != count) return false;
    uint8_t body = (uint8_t)(count - 4);
    if (!read_hex(line + body, 4, &sent)) return false;
    for (uint8_t i = 0; i < body; i++)
        crc = wire_crc(crc, (uint8_t)line[i]);
    if (crc != sent || line[2] != ' ' || line[5] != ' ' || line[body - 1] != ' ') return false;
    in->text = line;
    in->count = body;
    in->at = 6;
    in->seq = (uint8_t)seq;
    return true;
}

/* The next token lies in [*from, *to), followed by one space. */
static bool token(struct wire_in *in, uint8_t *from, uint8_t *to)
{
    *from = in->at;
    *to = in->at;
    while (*to < in->count && in->text[*to] != ' ')
        ++*to;
    return *to<in->count && * to> * from;
}

bool wire_next_word(struct wire_in *in, char *word, uint8_t room)
{
    uint8_t from, to;
    if (!token(in, &from, &to) || to - from >= room) return false;
    for (uint8_t i = from; i < to; i++)
        if (in->text[i] < ' ' || in->text[i] > '~') return false; /* a NUL would end the word early */
    for (in->at = from; in->at < to; in->at++)
        *word++ = in->text[in->at];
    *word = '\0';
    in->at++;
    return true;
}

static bool digits(const char *text, uint8_t count, uint32_t *value)
{
    uint32_t sum = 0;
    if (count < 1 || count > 10 || (count > 1 && text[0] == '0')) return false;
    while (count--) {
        if (*text < '0' || *text > '9') return false;
        uint32_t digit = (uint32_t)(*text++ - '0');
        if (sum > 429496729u || (sum == 429496729u && digit > 5)) return false;
        sum = sum * 10u + digit;
    }
    *value = sum;
    return true;
}

bool wire_next_uint(struct wire_in *in, uint32_t *value)
{
    uint8_t from, to;
    if (!token(in, &from, &to) || !digits(in->text + from, (uint8_t)(to - from), value)) return false;
    in->at = (uint8_t)(to + 1);
    return true;
}

bool wire_next_int(struct wire_in *in, int32_t *value)
{
    uint8_t from, to;
    uint32_t size;
    if (!token(in, &from, &to)) return false;
    bool minus = in->text[from] == '-';
    if (minus) from++;
    if (!digits(in->text + from, (uint8_t)(to - from), &size) || size > 0x7fffffffu || (minus && !size))
        return false;
    *value = minus ? -(int32_t)size : (int32_t)size;
    in->at = (uint8_t)(to + 1);
    return true;
}

bool wire_next_hex4(struct wire_in *in, uint16_t *value)
{
    uint8_t from, to;
    if (!token(in, &from, &to) || to - from != 4 || !read_hex(in->text + from, 4, value)) return false;
    in->at = (uint8_t)(to + 1);
    return true;
}

bool wire_at_end(const struct wire_in *in)
{
    return in->at == in->count;
}
