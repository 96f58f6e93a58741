/* marks.h - NAME.measured.yaml beside the job file NAME.yaml: what was found at the bench, with its
 * uncertainty, when and how. The program writes it; what a person wrote is never rewritten. It holds one
 * section, `measured`, of keys that a job has, so that the job and its marks can be kept and read as one
 * text.
 *
 * Marks hold for one composition. A run notes in the file that it was begun with them (shot_at): from then on
 * they are void, and marking either end anew drops the other. */
#ifndef STADDLE_CONFIG_MARKS_H
#define STADDLE_CONFIG_MARKS_H

#include "base/err.h"
#include "staddle/bench.h"

struct marks {
    struct mark near_end, far_end;
    char shot_at[NAME_ROOM]; /* "": no stack was begun with them yet */
};

/* E_INPUT when the path is too long. */
int marks_path(const char *job_path, char out[PATH_ROOM], struct err *why);

/* Nothing is marked where there is no such file. */
int marks_read(const char *job_path, struct marks *out, struct err *why);

/* Replaces the file; it may be written again after a power cut. */
int marks_write(const char *job_path, const struct marks *, struct err *why);

/* A stack is begun at that time, with the marks that are there; nothing is written where there are none, or
 * where that has been noted before. */
int marks_note_shot(const char *job_path, const char *at, struct err *why);

/* The checked text of the file, NULL where there is none; mem_free it. */
int marks_text(const char *job_path, char **text_out, struct err *why);

#endif
