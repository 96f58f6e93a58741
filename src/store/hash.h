/* hash.h - SHA-256 (FIPS 180-4) of bytes and of files, as 64 lower-case hex digits and a NUL. */
#ifndef STADDLE_STORE_HASH_H
#define STADDLE_STORE_HASH_H

#include <stddef.h>
#include <stdint.h>

#include "base/err.h"

#define SHA256_ROOM 65

void sha256_bytes(const void *bytes, size_t count, char out[SHA256_ROOM]);

/* Reads the file again, from the disk where the system can; a link is not followed. `bytes_out` may be NULL.
 */
int sha256_file(const char *path, char out[SHA256_ROOM], int64_t *bytes_out, struct err *why);

#endif
