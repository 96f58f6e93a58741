#include "report/html.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"

void html_clear(struct html *h)
{
    mem_free(h->bytes);
    *h = (struct html){0};
}

static void put(struct html *h, const char *bytes, size_t count)
{
    if (h->rc) return;
    if (h->count + count + 1 > h->room) {
        const size_t room = 2 * h->room + count + 4096;
        char *grown = mem_grow(h->bytes, h->room, room, 1, h->why);
        if (!grown) {
            h->rc = E_NOMEM;
            return;
        }
        h->bytes = grown;
        h->room = room;
    }
    memcpy(h->bytes + h->count, bytes, count);
    h->count += count;
    h->bytes[h->count] = '\0';
}

void html_markup(struct html *h, const char *markup)
{
    put(h, markup, strlen(markup));
}

void html_number(struct html *h, const char *format, ...)
{
    char text[512];
    va_list args;
    va_start(args, format);
    const int n = vsnprintf(text, sizeof text, format, args);
    va_end(args);
    if (n < 0 || (size_t)n >= sizeof text) {
        if (!h->rc) h->rc = fail(h->why, E_DAMAGED, "a line of the report page is too long; this is our bug");
        return;
    }
    put(h, text, (size_t)n);
}

/* Length of the UTF-8 character at p, 0 when it is none (RFC 3629: no overlong forms, no surrogates). */
static size_t utf8_length(const unsigned char *p)
{
    if (p[0] < 0x80) return 1;
    const size_t n = p[0] >= 0xF0 ? 4 : p[0] >= 0xE0 ? 3 : 2;
    if (p[0] < 0xC2 || p[0] > 0xF4) return 0;
    for (size_t i = 1; i < n; i++)
        if ((p[i] & 0xC0) != 0x80) return 0;
    if ((p[0] == 0xE0 && p[1] < 0xA0) || (p[0] == 0xED && p[1] > 0x9F) || (p[0] == 0xF0 && p[1] < 0x90) ||
        (p[0] == 0xF4 && p[1] > 0x8F))
        return 0;
    return n;
}

/* C1 controls (U+0080 to U+009F) and the two noncharacters at the end of the first plane. */
static int unwelcome(const unsigned char *p, size_t n)
{
    return (n == 2 && p[0] == 0xC2 && p[1] < 0xA0) ||
           (n == 3 && p[0] == 0xEF && p[1] == 0xBF && p[2] >= 0xBE);
}

static const char *entity(unsigned char c)
{
    switch (c) {
    case '&':
        return "&amp;";
    case '<':
        return "&lt;";
    case '>':
        return "&gt;";
    case '"':
        return "&quot;";
    case '\'':
        return "&#39;";
    default:
        return NULL;
    }
}

void html_text(struct html *h, const char *text)
{
    for (const unsigned char *p = (const unsigned char *)text; *p;) {
        const size_t n = utf8_length(p);
        const char *e = entity(*p);
        if (e)
            html_markup(h, e);
        else if (!n || unwelcome(p, n) || (*p < 0x20 && *p != '\n' && *p != '\t') || *p == 0x7F)
            html_markup(h, "\xEF\xBF\xBD");
        else
            put(h, (const char *)p, n);
        p += n ? n : 1;
    }
}

void html_base64(struct html *h, const uint8_t *bytes, size_t count)
{
    static const char digits[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    for (size_t i = 0; i < count; i += 3) {
        const size_t left = count - i;
        const uint32_t word = (uint32_t)bytes[i] << 16 | (left > 1 ? (uint32_t)bytes[i + 1] << 8 : 0) |
                              (left > 2 ? bytes[i + 2] : 0);
        const char four[4] = {digits[word >> 18], digits[word >> 12 & 63],
                              left > 1 ? digits[word >> 6 & 63] : '=', left > 2 ? digits[word & 63] : '='};
        put(h, four, 4);
    }
}
