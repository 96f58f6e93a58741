/* config.h - bench and job files (YAML) become checked records; nothing to the right of here reads YAML.
 *
 * One table for each kind of file (bench_file.c, job_file.c) gives every key its type, unit, range and place
 * in the record; reader.c fills the record from the table. What depends on two keys at once is checked after
 * that.
 *  1. A record comes out whole or not at all; what a file leaves out has the value for 'not given' in
 * staddle/bench.h.
 *  2. Every message is `file:line: what; what to do`, E_INPUT.
 *  3. Paths in a file are relative to the folder of that file.
 * The functions keep no state; a record has one owner. */
#ifndef STADDLE_CONFIG_CONFIG_H
#define STADDLE_CONFIG_CONFIG_H

#include "base/err.h"
#include "staddle/bench.h"

#define CONFIG_BYTES_MOST (1 << 20)

int bench_read(const char *path, struct bench *out, struct err *why);
/* From text in memory; `name` stands for the file in messages, and its folder for paths. */
int bench_parse(const char *text, const char *name, struct bench *out, struct err *why);
void bench_clear(struct bench *); /* NULL is fine */

/* Keeps the job's text, and that of its bench file when it names one, for the record. */
int job_read(const char *path, struct job *out, struct err *why);
int job_parse(const char *text, const char *name, struct job *out,
              struct err *why); /* keeps `text`; no bench text */
void job_clear(struct job *);   /* frees the texts; NULL is fine */

/* What a verb with a JOB wants: the job, and the bench that it names, or `bench_override` (--bench) unless
 * NULL. */
int setup_read(const char *job_path, const char *bench_override, struct job *job, struct bench *bench,
               struct err *why);

/* The line that gave this key, 0 when it is a default. */
int32_t origin_line(const struct origins *, const char *key);

#endif
