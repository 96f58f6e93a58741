/* small.h - a little stack for flow tests: a bench file and a job file in the test's folder, and what is
 * asked of a stack folder afterwards. */
#ifndef TESTS_SUPPORT_SMALL_H
#define TESTS_SUPPORT_SMALL_H

#include <stdbool.h>

#include "run/shoot.h"

struct small {
    int width_px, height_px; /* 0: 160 x 120 */
    int slices;              /* between near and far; 4 of margin come to it; 0: 6 */
    double depth_mm;         /* 0: 2 */
    bool flash;              /* recycles in 2 s */
    bool rings;              /* as the bench knows: moves are shaped */
    double settle_ms;        /* 0: the default */
    double start_delay_s;
    double exposure_s;  /* 0: 0.25 */
    const char *scene;  /* more lines of the job file, below "scene:"; NULL: the clock */
    const char *job;    /* more lines of the job file */
    const char *camera; /* its lines of the bench file, in place of "kind: simulated" */
};

/* Writes NAME-bench.yaml and NAME-job.yaml and reads them. */
void small_job(const char *name, const struct small *, struct shoot_job *out);

/* "FOLDER/name", static storage for eight calls. */
const char *small_path(const char *name);

/* What the store says of a stack; `whole`: every slice has exactly one kept frame, no exposure is in flight,
 * every kept exposure has a file that is there with the size and SHA-256 (by sha256sum) that the store says.
 * Fails the test with a sentence otherwise. */
struct small_counts {
    int firing, seen, kept, lost, doubtful, failed;
    int slices, closing, references; /* references: of a resume, kept to compare with; they are no slice's */
};
void small_count(const char *dir, struct small_counts *out);
void small_check_whole(const char *dir, bool with_closing);
/* Consistent at any moment: at most one kept per slice; kept ones have their files. */
void small_check_consistent(const char *dir);

#endif
