/* ptp_inside.h - what the parts of the emulated camera share: shutter, lens, events. Nothing outside
 * tests/emulator includes it. */
#ifndef TESTS_EMULATOR_PTP_INSIDE_H
#define TESTS_EMULATOR_PTP_INSIDE_H

#include "tests/emulator/ptp_camera.h"

#define PTP_STORE 0x00010001u

/* Fires, unless the camera is busy, full, or told to fail. */
uint16_t ptp_release(struct ptp_camera *, int64_t now_us, enum ptp_wire_fault *fault);
void ptp_storage_info(const struct ptp_camera *, struct ptp_out *);
struct ptp_object *ptp_object_of(struct ptp_camera *, uint32_t handle);

/* ptp_lens.c: the motor goes by so many of its steps, positive away from the camera; the glass follows once
 * the play is taken up, unless it stands at a stop or the focus-range switch holds it. False: it was at a
 * stop before it had gone all the way. */
bool ptp_lens_drive(struct ptp_camera *, int32_t by, int64_t now_us);
bool ptp_lens_moves(const struct ptp_camera *, int64_t now_us);
uint8_t *ptp_lens_view(struct ptp_camera *, size_t *count_out); /* what live view sees; free() */

/* ptp_harm.c: before an operation is done, true: it is not done, `answer` is all that comes of it; after it;
 * and an event that is due is not told. */
bool ptp_harm_before(struct ptp_camera *, const struct ptp_request *, struct ptp_answer *);
void ptp_harm_after(struct ptp_camera *, const struct ptp_request *, int32_t releases_before,
                    struct ptp_answer *);
bool ptp_harm_hides(struct ptp_camera *, const struct ptp_event *);

/* ptp_named.c: the family of named sizes. False: not one of its operations. */
bool ptp_named_do(struct ptp_camera *, const struct ptp_request *, int64_t now_us, struct ptp_answer *);
extern const uint16_t ptp_named_operations[];
extern const uint32_t ptp_named_operation_count;

#endif
