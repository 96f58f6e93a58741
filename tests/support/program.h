/* program.h - runs the built program as a person does, and keeps what it says. */
#ifndef TESTS_SUPPORT_PROGRAM_H
#define TESTS_SUPPORT_PROGRAM_H

struct said {
    int status; /* exit status */
    char *out, *err;
};

/* The rest of a command line behind 'staddle '. said_clear it. */
struct said program(const char *format, ...) __attribute__((format(printf, 1, 2)));
void said_clear(struct said *);

/* Any shell command, in which 'staddle' is the built program. */
struct said shell(const char *format, ...) __attribute__((format(printf, 1, 2)));

#endif
