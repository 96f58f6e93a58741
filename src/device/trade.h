/* trade.h - a camera's settings by the trade's names, whatever its family calls them and however it writes
 * their values: found by name, kind and value among what it tells (told.h), met by the third of a stop or by
 * the meaning of its words.
 *
 * The words of the families are those of the camera library, common practice, no other source. */
#ifndef STADDLE_DEVICE_TRADE_H
#define STADDLE_DEVICE_TRADE_H

#include "device/told.h"

enum trade {
    TRADE_SHUTTER,
    TRADE_APERTURE,
    TRADE_ISO,
    TRADE_WHITE_BALANCE,
    TRADE_FORMAT,
    TRADE_DRIVE,
    TRADE_FOCUS,
    TRADE_DELAY, /* between the mirror, or the first press, and the exposure */
    TRADE_BULB,
    TRADE_COUNT
};

/* "shutter", "aperture", "iso", "white-balance", "format", "drive", "focus", "delay", "bulb". */
const char *trade_name(enum trade);
/* E_INPUT with the names that there are. */
int trade_of_name(const char *name, size_t length, enum trade *out, struct err *);

/* NULL: this camera does not let it be known. */
const struct told_setting *trade_find(const struct told *, enum trade);

/* One of the camera's words in the trade's: "0.2500s" is "1/4", "5.6" is "f/5.6", "Automatic" is "auto". What
 * has none stays as the camera says it. */
void trade_say(enum trade, const char *camera_word, told_word out);

/* Which word of the camera's is meant: "1/4", "0.25", "f/8", "daylight", or its own word. E_UNSUPPORTED: it
 * has not that; the sentence names the nearest, or what it has. */
int trade_choose(const struct told_setting *, enum trade, const char *wanted, told_word out, struct err *);

/* The value of one of its words, for the three that are numbers; NAN. */
double trade_value(enum trade, const char *camera_word);

/* Of a battery's level, "8%", "low", "3/4"...; -1: that is none. */
#define TRADE_BATTERY_LOW   30 /* it may not last; our choice */
#define TRADE_BATTERY_EMPTY 10
int trade_battery_percent(const char *camera_word);

/* Of an image format. */
bool trade_has_raw(const char *camera_word);
bool trade_has_jpeg(const char *camera_word);

#endif
