/* body.h - one camera through libgphoto2: the calls that the camera program makes, each blocking, with the
 * library's many ways of failing told apart. One thread owns it. */
#ifndef STADDLE_CAMERA_BODY_H
#define STADDLE_CAMERA_BODY_H

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"
#include "staddle/lens.h"

#define BODY_PATH_ROOM 256
#define BODY_TEXT_ROOM 64

struct body;

struct body_facts {
    char model[BODY_TEXT_ROOM], battery[BODY_TEXT_ROOM]; /* "": not told */
};

enum body_event_kind { BODY_NOTHING, BODY_OBJECT, BODY_COMPLETE, BODY_OTHER };

struct body_event {
    enum body_event_kind kind;
    char path[BODY_PATH_ROOM]; /* OBJECT: folder and name on the camera */
};

/* Port as libgphoto2 names them ("usb:001,004", "ptpip:ADDRESS"); "": the first camera that is found.
 * E_STATE: a person has to do something; E_IO: not there, or the link is down; E_TIMEOUT: busy, may be tried
 * again. */
int body_open(const char *port, bool to_ram, struct body **out, struct err *);
void body_close(struct body *); /* NULL is fine */
/* How often the link went down since, and was opened anew: the camera may have been switched off between. */
int body_reopen(struct body *, struct err *); /* and applies the settings again */
bool body_is_open(const struct body *);       /* false: it went down, and could not be opened again */
bool body_doubted(const struct body *);       /* something failed since, which may mean that it is down */
int32_t body_losses(const struct body *);
void body_describe(struct body *, struct body_facts *out);

void body_battery(struct body *, char out[BODY_TEXT_ROOM]); /* its own word; "": it does not tell */

/* 0: leave. Nominal values are met to a sixth of a stop. E_UNSUPPORTED with the nearest that there are. */
int body_set(struct body *, int64_t exposure_us, double f_number, double iso, struct err *);

/* So long before each exposure a first press raises the mirror; 0: none does. Sets the camera to that where a
 * program can, and back again when it is closed; elsewhere a person has. */
void body_mirror_set(struct body *, int64_t up_us);
int64_t body_mirror_up_us(const struct body *);
/* The first press: nothing is exposed by it. E_TIMEOUT: it did not take it. */
int body_mirror_raise(struct body *, struct err *);

/* Fires; what comes of it are events. E_TIMEOUT: it did not take it, and nothing was exposed. */
int body_trigger(struct body *, struct err *);
int body_event(struct body *, int timeout_ms, struct body_event *out, struct err *);

/* Every file on the camera, read anew. The visitor returns non-zero to end. */
int body_list(struct body *, int (*visit)(void *arg, const char *path), void *arg, struct err *);
int body_size(struct body *, const char *path, int64_t *bytes_out, struct err *);
/* The file's bytes: mem_free. E_IO: the link broke and was opened anew; it may be asked again. */
int body_fetch(struct body *, const char *path, uint8_t **bytes_out, int64_t *count_out, struct err *);
int body_preview(struct body *, uint8_t **jpeg_out, int64_t *count_out, struct err *);

/* ---- settings under the library's names: settings.c ---- */

/* Everything it tells, added to `out` as device/told.h's told_read takes it. */
int body_tell(struct body *, json_t *out, struct err *);
/* To one of the words that it told. */
int body_turn(struct body *, const char *setting, const char *word, struct err *);

/* ---- the lens: drive.c ---- */

/* How its lens may be told to move: staddle/lens.h. */
void body_lens(struct body *, struct lens_kind *out);
/* One order: so many steps, positive away from the camera; where sizes have names, the number of one. The
 * library is called once for each order, or twice when it says that live view was off. */
enum lens_result body_drive(struct body *, int32_t order, int64_t *took_us_out, struct err *);

#endif
