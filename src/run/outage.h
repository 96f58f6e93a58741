/* clang-format off */
/* outage.h - something that a run needs is away for a while. The run waits for it, says so in one line, tries
 * again with growing pauses (0.25 s, doubled up to 10 s; from the start when something is plugged in), and goes on by itself; after the limit it pauses safely.
 *
 *   what        shows by                          tried again by       back when            then
 *   the axis    its port is gone, or it does      axis_again           it answers           the table of places in
 *               not answer                                                                  resume.c; 10 min at most
 *   the axis    it restarted, or stopped since    (it is there)                             clear, home; 5 times at most
 *               nobody spoke to it
 *   the camera  it is gone, or hangs              camera_again         it takes settings    what it holds is fetched, the
 *                                                                                           rest shot again; 10 min
 *   the disk    no room                           the job that failed  there is room        the jobs that waited, in
 *                                                                                           their order; 30 min
 *   the host    it slept                          axis_again           as the axis          the camera is looked at, too
 *
 *  1. While the axis is away nothing is fired, and no frame that was being exposed is kept before its place is
 *     known.
 *  2. While the camera is away nothing is fired; what was under way waits for it.
 *  3. While the disk is away frames wait in memory, three at most; what is not FIRING on the disk is not fired.
 *  4. A wish to pause ends the waiting. An alarm is a person's, and is not waited for.
 *  5. The limit of times counts outages without a kept frame between them. */
/* clang-format on */
#ifndef STADDLE_RUN_OUTAGE_H
#define STADDLE_RUN_OUTAGE_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"
#include "device/axis.h"

enum outage_kind { OUTAGE_AXIS, OUTAGE_CAMERA, OUTAGE_DISK, OUTAGE_KINDS };

struct outage {
    bool out;
    bool trying; /* asked again, not answered yet */
    bool told;
    int64_t since_us, next_us;
    int tries, times;
    struct err why;
};

struct loop;
struct job_work;

/* Each is told what happened. True: it is waited for (or was already). False: it is not to be, so it is a
 * fault. */
bool outage_axis(struct loop *, const struct axis_state *now); /* l->axis is still what it was before */
bool outage_camera(struct loop *, const struct err *);
bool outage_work(struct loop *, struct job_work *); /* true: the job is kept, and will be done again */

void outage_axis_looked(struct loop *); /* l->axis is new, while the axis is out */
void outage_step(struct loop *);        /* before the lanes: what is due, the limits, the machine's clocks */
int64_t outage_due_us(const struct loop *);
void outage_plugged(struct loop *); /* something was plugged in: perhaps what is waited for */
void outage_frame_kept(struct loop *);
void outage_end(struct loop *); /* nothing is waited for any more */
void outage_free(struct loop *);

#endif
