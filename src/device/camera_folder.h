/* camera_folder.h - a camera that somebody else fires, and whose files another program (or a card reader)
 * puts into a folder. A trigger only asks for a frame and waits for the one that comes:
 *
 *   trigger --> asked --> a file comes --> at rest, decodes whole --> OBJECT (also its raw or JPEG), COMPLETE
 *                  \--> none in time, two at once, no picture --> FAILED
 *
 *  1. A file is a frame's only if it came after that frame was asked for. What was there before, comes in
 *     between, or was taken earlier by its own clock is left alone, and told.
 *  2. Two frames for one trigger are none: nobody could say which it is.
 *  3. A file is at rest when nobody has it open for writing, nothing has changed in it for a while, and it
 *     decodes whole. The bytes that were decoded are those that are fetched.
 *  4. A raw and its JPEG of one name are one frame.
 *  5. Nothing in the folder is ever changed, moved or removed.
 *  6. One run at a time takes its frames from a folder. */
#ifndef STADDLE_DEVICE_CAMERA_FOLDER_H
#define STADDLE_DEVICE_CAMERA_FOLDER_H

#include "device/camera.h"
#include "device/folder_watch.h"
#include "device/person.h"
#include "staddle/bench.h"

#define CAMERA_FOLDER_WAIT_US 300000000 /* for a frame, where the bench does not say; our choice */

struct camera_folder_opts {
    const struct camera_spec *spec; /* folder, raw_and_jpeg, wait_us, size; borrowed */
    struct sched *sched;
    const struct person *person;    /* is asked for each frame; NULL: nobody is told */
    const struct folder_eyes *eyes; /* NULL: inotify */
};

/* As folder_watch_open. */
int camera_folder_open(const struct camera_folder_opts *, struct camera **out, struct err *);

#endif
