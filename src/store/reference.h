/* reference.h - frames that belong to a stack and are none of it: a ruler, a grey card, the empty set, the
 * set without the lamp, the set when all is still. Files of frames/ named after what they show, of exposures
 * of purpose 'reference'. */
#ifndef STADDLE_STORE_REFERENCE_H
#define STADDLE_STORE_REFERENCE_H

#include "store/store.h"

#define REFERENCE_FOLDER "reference" /* of a hand-over */
#define REFERENCE_QUIET  "quiet"     /* the set when nothing has moved for long; check compares with it */

/* "ruler", "grey", "empty", "lampoff", "quiet": as they are kept; E_INPUT with the list. */
int reference_word(const char *what, const char **out, struct err *);

/* How many there are of it so far: the next one is the one after. */
int reference_count(struct store *, const char *what, int32_t *out, struct err *);

/* ruler.jpg, ruler_2.jpg ... */
int reference_name(const char *what, int32_t number, const char *ext, char *out, size_t room, struct err *);

/* What a file of frames/ shows, by its name; NULL: it is none of these. */
const char *reference_of(const char *name);

#endif
