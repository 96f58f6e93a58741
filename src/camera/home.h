/* home.h - where the camera library keeps what it remembers (where frames go; how it is known to a camera on
 * a network): a folder of ours, since the user's own is shared with every other program that uses the
 * library. */
#ifndef STADDLE_CAMERA_HOME_H
#define STADDLE_CAMERA_HOME_H

/* Before the library is called: $XDG_STATE_HOME/staddle/camera, by default under ~/.local/state; where that
 * cannot be made, it remembers nothing. */
void home_of_our_own(void);

#endif
