/* allocations_judge.h - a stack folder judged and published, as calls for allocations_sweep. */
#ifndef TESTS_SUPPORT_ALLOCATIONS_JUDGE_H
#define TESTS_SUPPORT_ALLOCATIONS_JUDGE_H

#include "report/judge.h"

/* `arg` of all that follow. */
struct judged_stack {
    const char *dir;
    bool anew;           /* without what is in derived/ */
    struct store *store; /* after judged_open */
    struct judgement judged;
};

/* Asserts success; judged_close it. */
void judged_open(struct judged_stack *);
void judged_close(struct judged_stack *);
void judged_forget_derived(const struct judged_stack *);

/* Judges it and forgets that. */
int judged_again(void *stack, struct err *);
/* Of one that is open. */
int judged_publish(void *stack, struct err *);
void judged_has_no_page(void *stack);

#endif
