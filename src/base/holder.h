/* holder.h - who has a file, a folder or a port open: for messages about what is in use. */
#ifndef STADDLE_BASE_HOLDER_H
#define STADDLE_BASE_HOLDER_H

#include <stddef.h>

/* "NAME (process 123)" of another process that has it open; "" when none can be seen. */
void find_holder(const char *path, char *out, size_t room);

#endif
