#include "tests/fuzz/yaml.h"

#include <stdlib.h>
#include <string.h>

void yaml_refusal(const struct err *why, int rc, const char *file)
{
    FUZZ_HOLDS(rc == E_INPUT && why->code == E_INPUT);
    FUZZ_HOLDS(!strncmp(why->text, file, strlen(file)));
    const char *p = why->text + strlen(file);
    FUZZ_HOLDS(p[0] == ':' && p[1] >= '1' && p[1] <= '9');
    p += 1 + strspn(p + 1, "0123456789");
    FUZZ_HOLDS(p[0] == ':' && p[1] == ' ' && p[2]);
    FUZZ_HOLDS(strchr(p, ';') != NULL);
    for (; *p; p++)
        FUZZ_HOLDS((unsigned char)*p >= 0x20 && *p != 0x7f);
}

char *yaml_text(const uint8_t *data, size_t size)
{
    char *text = malloc(size + 1);
    FUZZ_HOLDS(text != NULL);
    memcpy(text, data, size);
    text[size] = '\0';
    return text;
}
