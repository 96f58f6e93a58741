/* emulated_stack.h - a stack with a lens drive, shot by the built program through the unmodified libgphoto2
 * on an emulated camera, in real time; and what became of it by the emulator's own log: each kept file must
 * be, byte for byte, an object of exactly one release, taken where its slice lies. */
#ifndef TESTS_SUPPORT_EMULATED_STACK_H
#define TESTS_SUPPORT_EMULATED_STACK_H

#include "tests/emulator/ptp_ip.h"

#define EMULATED_SAID 4096

struct emulated_job {
    enum ptp_family family;
    int32_t slices;         /* from mark to mark; two more at each end */
    int32_t spacing_counts; /* one count is 10 um */
    int32_t backlash_counts;
    struct ptp_camera_opts camera;             /* family, scene and times are filled where 0 */
    const char *folder;                        /* of this stack, within the test's */
    const char *home;                          /* HOME of the program; NULL: a folder of this stack's */
    void (*while_running)(void *arg, int pid); /* again and again */
    void *arg;
};

struct emulated_result {
    int exit, resumed; /* of run, and of resume where there was one, else -1 */
    int32_t kept, releases, references;
    int32_t extra;    /* releases beyond one a frame */
    int32_t first_at; /* where the lens was for slice 1 */
    int32_t off_most; /* counts of a kept frame from its place, which is told from that */
    double seconds;
    char said[EMULATED_SAID]; /* on either stream, the last of it */
};

/* Runs it, and resumes once when it paused. Fails the test unless every slice ends with exactly one frame. */
void emulated_shoot(const struct emulated_job *, struct emulated_result *out);

/* The parts of that: `ip` is started and stopped by the caller. A program that hangs is killed, and its
 * status is 200 then; on a busy machine it may take as long as it needs. */
void emulated_write(const struct emulated_job *, const struct ptp_ip *);
int emulated_run(const struct emulated_job *, struct ptp_ip *, const char *verb, struct emulated_result *);
/* What it has said so far, on either stream. */
void emulated_said(const struct emulated_job *, char out[EMULATED_SAID]);
void emulated_verify(const struct emulated_job *, struct ptp_ip *, struct emulated_result *);
struct ptp_camera_opts emulated_camera(const struct emulated_job *);

/* The camera program that descends from this process and was started by `parent` (0: any); 0: none. */
int emulated_program(int parent);

#endif
