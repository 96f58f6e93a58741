/* axis_hand.h - a person turns a knob. A move is a sentence, and ends when the person says so:
 *
 *   move_to --> told "turn to 3.40 mm, ..." --> MOVING --Enter--> REST, at the target
 *                                                 |
 *                                                 +--halt--> STOPPED, and where it stands nobody knows
 *
 *  1. Nothing moves by itself.
 *  2. The position is what the person was asked for and has affirmed: counted, never known. Unknown after
 *     opening and after a halt in the middle of a turn; a move ends that, since the knob has a scale.
 *  3. A key pressed while nothing is asked counts for nothing, also on the terminal's line before the
 * question.
 *  4. Where the frame is the answer (a camera that others fire), a move ends at once: the frame that comes
 * next says that the knob was turned. */
#ifndef STADDLE_DEVICE_AXIS_HAND_H
#define STADDLE_DEVICE_AXIS_HAND_H

#include <stdbool.h>
#include <stdint.h>

#include "base/sched.h"
#include "device/axis.h"
#include "device/person.h"

struct axis_hand_opts {
    int64_t nm_per_count_num, nm_per_count_den;
    int32_t marks_per_turn, counts_per_mark; /* of the knob's scale */
    int64_t take_up_counts; /* every place is come to from so far on the near side at least */
    bool frame_answers;
    bool asks_surely;            /* it is of no use where nobody can answer */
    const struct person *person; /* NULL: nobody is there */
};

/* E_STATE when nobody could answer, if that matters; else a move says so. */
int axis_hand_open(struct sched *, const struct axis_hand_opts *, struct axis **out, struct err *);

/* The person has turned it. Fine at any time: without a question it counts for nothing. */
void axis_hand_done(struct axis *);

#endif
