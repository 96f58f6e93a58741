/* err.h - how failure travels. A function returns 0 or a negative enum errc; whoever notices the failure
 * writes the sentence ("what; what to do") and everyone above passes it on untouched. Only the verbs print
 * it. */
#ifndef STADDLE_BASE_ERR_H
#define STADDLE_BASE_ERR_H

enum errc {
    E_OK = 0,
    E_INPUT = -1,       /* wrong input, nothing was changed                  exit 2 */
    E_IO = -2,          /* the disk, a cable or a device gave up             exit 5 (3 inside a run) */
    E_TIMEOUT = -3,     /* no answer in time; may be tried again             exit 3 inside a run */
    E_STATE = -4,       /* a person has to do something at the bench first   exit 4 */
    E_UNSUPPORTED = -5, /* this device or file cannot do that                exit 2 */
    E_NOMEM = -6,       /*                                                   exit 5 */
    E_DAMAGED = -7,     /* a stack folder is not what it should be, our bug  exit 5 */
    E_PAUSED = -8,      /* halted on a wish or a fault; resume goes on       exit 3 */
    E_FULL = -9         /* no room on the disk; may be tried again when freed exit 5 (3 inside a run) */
};

struct err {
    enum errc code;
    char text[512];
};

/* Writes the sentence and is the code; `why` may be NULL. fail_errno appends strerror(errno). Macros, so that
 * a static analyser sees that a failure is never 0. (The test library has a macro fail of its own: include it
 * first.) */
#undef fail
#define fail(why, code, ...)       (err_say((why), (code), __VA_ARGS__), err_is(code))
#define fail_errno(why, code, ...) (err_say_errno((why), (code), __VA_ARGS__), err_is(code))

static inline int err_is(enum errc code)
{
    return code;
}

void err_say(struct err *why, enum errc code, const char *format, ...) __attribute__((format(printf, 3, 4)));
void err_say_errno(struct err *why, enum errc code, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* The exit status of a program that ends with this code. */
int err_exit_status(enum errc code);

#endif
