/* words.h - the words that the database and the record use for the small enums. */
#ifndef STADDLE_STORE_WORDS_H
#define STADDLE_STORE_WORDS_H

#include "staddle/plan.h"
#include "staddle/stack.h"

enum word_list { WORD_KIND, WORD_ORDER, WORD_SOURCE, WORD_PURPOSE, WORD_STATE, WORD_ROLE };

const char *word_of(enum word_list, int value);

/* -1 when there is no such word. */
int word_find(enum word_list, const char *text);

#endif
