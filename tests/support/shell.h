/* shell.h - other people's programs, for tests: run through the shell, in this test program's folder. */
#ifndef TESTS_SUPPORT_SHELL_H
#define TESTS_SUPPORT_SHELL_H

/* A path in the folder of this test program; valid for the next fifteen calls. */
char *in_folder(const char *format, ...) __attribute__((format(printf, 1, 2)));

/* Runs the command with that folder as the working directory: its exit status. Output goes to the file `out`
 * there, errors to `err`. */
int in_shell(const char *format, ...) __attribute__((format(printf, 1, 2)));

/* What the last command printed; valid until the next call. */
const char *shell_out(void);
const char *shell_err(void);

/* The built program. */
const char *staddle_program(void);

/* The shell's own checksum of everything in a folder: names, modes, times and bytes. Valid for the next three
 * calls. */
const char *fingerprint(const char *folder);

#endif
