/* world_socket.h - what both ends of the world's socket share. */
#ifndef STADDLE_SIM_WORLD_SOCKET_H
#define STADDLE_SIM_WORLD_SOCKET_H

#include <sys/un.h>

#include "base/err.h"

/* E_INPUT when the path is longer than a socket's may be. */
int world_socket_name(const char *path, struct sockaddr_un *out, struct err *);

#endif
