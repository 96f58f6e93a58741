#include "cmd_person.h"

#include <stdio.h>
#include <unistd.h>

/* A line of progress may stand there, to be written over. */
static void tell(void *arg, const char *sentence)
{
    (void)arg;
    fprintf(stderr, "%s%s\n", isatty(STDERR_FILENO) ? "\r\033[K" : "", sentence);
}

struct person cmd_person(void)
{
    return (struct person){.tell = tell, .key_fd = STDIN_FILENO};
}
