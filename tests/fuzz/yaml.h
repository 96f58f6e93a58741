/* yaml.h - what the two targets of hand-written files check of a refusal. */
#ifndef TESTS_FUZZ_YAML_H
#define TESTS_FUZZ_YAML_H

#include "base/err.h"
#include "tests/fuzz/fuzz.h"

/* `file:line: what; what to do` of that file (`plan` may name no line), E_INPUT, without control characters.
 */
void yaml_refusal(const struct err *, int rc, const char *file);

/* NUL-terminated copy; free() it. */
char *yaml_text(const uint8_t *data, size_t size);

#endif
