/* resume.h - what an earlier run left behind, told from what the store, the disk and the camera say. The
 * tables are at the head of resume.c; nothing here decides by itself anything that is not a row of them.
 *
 * Runs between the opening of the bench and the first move, on the thread that owns both rig and store. */
#ifndef STADDLE_RUN_RESUME_H
#define STADDLE_RUN_RESUME_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"
#include "device/axis.h"
#include "run/bench.h"
#include "staddle/bench.h"
#include "staddle/stack.h"
#include "store/store.h"

enum resume_file { RESUME_NO_FILE, RESUME_BAD_FILE, RESUME_GOOD_FILE }; /* good: that size, decodes whole */
enum resume_held { RESUME_UNTOLD, RESUME_HOLDS_NONE, RESUME_HOLDS };    /* what the camera recounts */
enum resume_do { RESUME_LEAVE, RESUME_FIRE_AGAIN, RESUME_FETCH, RESUME_ADOPT, RESUME_DOUBT, RESUME_ASK };

/* What becomes of an exposure that the earlier run left in this state. `ask`: a person decides where nobody
 * can tell whether it was exposed. */
enum resume_do resume_exposure(enum exposure_state, enum resume_file, enum resume_held, bool ask);

enum resume_place { RESUME_GO_ON, RESUME_HOME, RESUME_CLEAR, RESUME_ASK_A_PERSON };

/* Is the position of that time still the axis's? `nonce` and `reached_counts` of the last exposure, or
 * STACK_NONE. Not for an axis that is still starting, moving or finding. */
enum resume_place resume_position(const struct axis_state *, int64_t nonce, int64_t reached_counts);

struct resume_counts {
    int32_t adopted, fetched, lost, doubtful;
};

/* Ends every exposure that is under way. E_PAUSED: a wish came while it was waiting for the camera. E_STATE:
 * a person has to decide about one, which stays DOUBTFUL; the sentence says which. */
int resume_exposures(struct rig *, struct store *, const struct bench *, bool ask, struct resume_counts *out,
                     struct err *why);

#endif
