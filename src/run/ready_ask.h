/* ready_ask.h - asks the camera of an opened bench what ready.h judges. */
#ifndef STADDLE_RUN_READY_ASK_H
#define STADDLE_RUN_READY_ASK_H

#include "run/bench.h"
#include "run/ready.h"
#include "run/shoot.h"

/* `frames` still to be shot; 0: no job is known. *asked is false for a camera that tells nothing of itself
 * (one that others fire): then nothing is judged. Nothing fires, and nothing is set. */
int ready_ask(struct rig *, const struct shoot_job *, int32_t frames, bool *asked, struct ready *out,
              struct err *);

/* Before a stack: refuses what is grave, unless `anyway`; what is left to say is added to `notes`. */
int ready_for_stack(struct rig *, const struct shoot_job *, int32_t frames, bool anyway,
                    struct finding_list *notes, struct err *);

/* Those, once the run is over: to its own findings where it has begun; `notes` are empty then. */
int ready_add_notes(struct finding_list *to, struct finding_list *notes, bool wanted, struct err *);

#endif
