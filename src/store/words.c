#include "store/words.h"

#include <stddef.h>
#include <string.h>

/* In the order of the enums. */
static const char *const kinds[] = {"planned", "imported", NULL};
static const char *const orders[] = {"near-first", "far-first", "unknown", NULL};
static const char *const sources[] = {"planned", "imported", "filled", "extended", NULL};
static const char *const purposes[] = {"stack", "closing", "reference", "test", NULL};
static const char *const states[] = {"firing", "seen", "kept", "lost", "doubtful", "failed", NULL};
static const char *const roles[] = {"jpeg", "raw", "other", NULL};
static const char *const *const lists[] = {kinds, orders, sources, purposes, states, roles};

const char *word_of(enum word_list list, int value)
{
    return lists[list][value];
}

int word_find(enum word_list list, const char *text)
{
    for (int i = 0; text && lists[list][i]; i++)
        if (!strcmp(lists[list][i], text)) return i;
    return -1;
}
