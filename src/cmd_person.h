/* cmd_person.h - the person at the terminal: is told on stderr, also by --quiet and --json, since the program
 * waits for the answer; answers with Enter. */
#ifndef STADDLE_CMD_PERSON_H
#define STADDLE_CMD_PERSON_H

#include "device/person.h"

struct person cmd_person(void);

#endif
