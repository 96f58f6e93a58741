#include "store/reference.h"

#include <ctype.h>
#include <string.h>

#include "base/mem.h"

static const char *const words[] = {"ruler", "grey", "empty", "lampoff", REFERENCE_QUIET};
#define WORDS (sizeof words / sizeof *words)

int reference_word(const char *what, const char **out, struct err *why)
{
    for (size_t i = 0; i < WORDS; i++)
        if (!strcmp(words[i], what)) {
            *out = words[i];
            return E_OK;
        }
    return fail(why, E_INPUT, "--as %s: no such reference frame; use ruler, grey, empty, lampoff or quiet",
                what);
}

const char *reference_of(const char *name)
{
    for (size_t i = 0; i < WORDS; i++) {
        const size_t n = strlen(words[i]);
        if (strncmp(name, words[i], n) != 0) continue;
        const char *rest = name + n;
        if (*rest == '_' && isdigit((unsigned char)rest[1])) rest += 1 + strspn(rest + 1, "0123456789");
        if (*rest == '.') return words[i];
    }
    return NULL;
}

/* A raw and its JPEG are one frame: the exposure counts, not its files. */
int reference_count(struct store *st, const char *what, int32_t *out, struct err *why)
{
    struct file_row *files;
    int32_t count, n = 0;
    int64_t last = 0;
    int rc = store_files(st, 0, &files, &count, why);
    if (rc) return rc;
    for (int32_t i = 0; i < count; i++) {
        const char *shows = reference_of(files[i].name);
        if (!shows || strcmp(shows, what) != 0 || files[i].exposure_id == last) continue;
        last = files[i].exposure_id;
        n++;
    }
    mem_free(files);
    *out = n;
    return E_OK;
}

int reference_name(const char *what, int32_t number, const char *ext, char *out, size_t room, struct err *why)
{
    const int n = number > 1 ? snprintf(out, room, "%s_%d.%s", what, (int)number, ext)
                             : snprintf(out, room, "%s.%s", what, ext);
    return n > 0 && (size_t)n < room ? E_OK : fail(why, E_INPUT, "%.40s: no good ending for a file", ext);
}
