/* by_hand.h - a small bench with a knob that a person turns and a camera that others fire, both played on the
 * virtual clock. Which frame was taken where, the played ones know: that is the truth. */
#ifndef TESTS_SUPPORT_BY_HAND_H
#define TESTS_SUPPORT_BY_HAND_H

#include "run/shoot.h"
#include "tests/support/other_program.h"

#define FRAMES_MOST 64

/* One bench: knob, camera, world, and whoever stands there. */
struct by_hand {
    struct shoot_job job;
    struct other_program other;
    struct person person;
    struct rig *rig;
    char dir[600];
    char told[8192];
    double scene_near_nm;             /* of the world: what is nearest in it */
    int64_t knob_nm;                  /* where the person has turned it to */
    int64_t taken_at_nm[FRAMES_MOST]; /* of the n-th frame that the other program put */
    int turns;
    int64_t die_at, wish_at; /* events; 0: never */
    int wishes;
    char waits_for[40]; /* the wish comes once the person was told this */
    int64_t wait_for_us;
    struct run_result result;
    struct err why;
};

/* NAME-bench.yaml and NAME-job.yaml: 7 slices; `frames`: with a camera of kind folder; `more` lines of it. */
void by_hand_write(const char *name, bool frames, const char *more);
void by_hand_open(struct by_hand *, const char *name, const char *more);
void by_hand_close(struct by_hand *);

int by_hand_begin(struct by_hand *); /* the run: its code */
int by_hand_go_on(struct by_hand *); /* resume, with nothing planted any more */

/* One kept frame a slice, each taken where its slice lies. */
void by_hand_check_whole(const struct by_hand *);

/* For other benches: what is told, turned and opened goes to a struct by_hand. */
void by_hand_tell(void *arg, const char *sentence);
void by_hand_turned(void *arg, int64_t position_counts);
void by_hand_opened(void *arg, struct rig *, struct store *);

int64_t by_hand_events(void); /* of a run that nobody disturbs */
int by_hand_kill(int64_t at); /* killed at that event, gone on with, checked: frames taken once more */

#endif
