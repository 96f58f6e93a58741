/* hand_rig.h - a knob with a scripted person at it, as a rig of the axis contract. The truth is how often the
 * person turned it by one count; what the axis believes is not asked. */
#ifndef TESTS_SUPPORT_HAND_RIG_H
#define TESTS_SUPPORT_HAND_RIG_H

#include "device/axis_hand.h"
#include "tests/support/rail_rig.h"

/* A scale of 1 mm a turn, 100 marks, two counts a mark: 5 um a count. The person begins to turn at once,
 * count by count, and takes half a second for a turn of any length. */
struct rig *hand_rig_open(void);

/* As a frame that comes answers: nobody presses a key. */
struct rig *hand_rig_open_frames(void);

/* What the person was told last, and how often; of the rig opened last. */
const char *hand_rig_told(int *times);

/* From now on the person stands there and does nothing; or, `turns` again. */
void hand_rig_person(bool turns);

#endif
