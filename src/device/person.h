/* person.h - the person at the bench, for devices that wait for one: what is said to them, and how they
 * answer. Borrowed by the devices; outlives them. */
#ifndef STADDLE_DEVICE_PERSON_H
#define STADDLE_DEVICE_PERSON_H

#include <stdint.h>

struct axis;

struct person {
    void (*tell)(void *arg, const char *sentence); /* NULL: nobody listens */
    /* Enter on this descriptor is the answer; -1: nobody can press a key. A terminal, a pipe or a socket. */
    int key_fd;
    /* One that is played (tests, simulate), in place of the key: asked to turn the knob there, it answers
     * later with axis_hand_done. NULL: a real one. */
    void (*asked)(void *arg, struct axis *, int64_t target_counts);
    /* The knob stands there, as far as anybody knows. NULL is fine. */
    void (*turned)(void *arg, int64_t position_counts);
    void *arg;
};

#endif
