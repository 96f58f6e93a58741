#include "base/err.h"

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

static void say(struct err *why, enum errc code, const char *tail, const char *format, va_list ap)
{
    if (!why) return;
    why->code = code;
    vsnprintf(why->text, sizeof why->text, format, ap);
    size_t used = strlen(why->text);
    if (tail) snprintf(why->text + used, sizeof why->text - used, ": %s", tail);
}

void err_say(struct err *why, enum errc code, const char *format, ...)
{
    va_list ap;
    va_start(ap, format);
    say(why, code, NULL, format, ap);
    va_end(ap);
}

void err_say_errno(struct err *why, enum errc code, const char *format, ...)
{
    char room[128];
    const char *text = strerror_r(errno, room, sizeof room);
    va_list ap;
    va_start(ap, format);
    say(why, code, text, format, ap);
    va_end(ap);
}

int err_exit_status(enum errc code)
{
    switch (code) {
    case E_OK:
        return 0;
    case E_INPUT:
    case E_UNSUPPORTED:
        return 2;
    case E_PAUSED:
    case E_TIMEOUT:
        return 3;
    case E_STATE:
        return 4;
    case E_IO:
    case E_FULL:
    case E_NOMEM:
    case E_DAMAGED:
        return 5;
    }
    return 5;
}
