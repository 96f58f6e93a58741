/* cmd_import.h - import --pair: the frames of a card come to the stack that was fired over a cable. */
#ifndef STADDLE_CMD_IMPORT_H
#define STADDLE_CMD_IMPORT_H

#include "cmd.h"

int cmd_import_pair(struct cmd *, struct err *why);

#endif
