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

/* The same as program, but it goes on beside the test; one at a time. program_has_said waits until it has
 * printed that on either stream, and fails the test when it has not after two minutes. program_interrupt is
 * Ctrl-C, and waits for its end. */
void program_begin(const char *format, ...) __attribute__((format(printf, 1, 2)));
void program_has_said(const char *text);
struct said program_interrupt(void);

#endif
