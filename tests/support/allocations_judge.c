#include "tests/support/allocations_judge.h"

#include "base/fs.h"
#include "report/publish.h"
#include "tests/support/test.h"

void judged_open(struct judged_stack *s)
{
    struct err why = {0};
    assert_int_equal(store_open(s->dir, true, &s->store, NULL), 0);
    if (judge_stack(s->store, &(struct judge_opts){.threads = 1}, &s->judged, &why)) fail_msg("%s", why.text);
}

void judged_close(struct judged_stack *s)
{
    judgement_clear(&s->judged);
    store_close(s->store);
}

void judged_forget_derived(const struct judged_stack *s)
{
    char command[700];
    snprintf(command, sizeof command, "rm -f '%s'/derived/*", s->dir);
    assert_int_equal(system(command), 0);
}

int judged_again(void *stack, struct err *why)
{
    const struct judged_stack *s = stack;
    struct judgement j;
    struct store *st;
    if (s->anew) judged_forget_derived(s);
    int rc = store_open(s->dir, true, &st, why);
    if (rc) return rc;
    rc = judge_stack(st, &(struct judge_opts){.threads = 1}, &j, why);
    if (!rc) judgement_clear(&j);
    store_close(st);
    return rc;
}

int judged_publish(void *stack, struct err *why)
{
    struct judged_stack *s = stack;
    return publish(s->store, &s->judged, "test", NULL, why);
}

void judged_has_no_page(void *stack)
{
    const struct judged_stack *s = stack;
    char page[700];
    snprintf(page, sizeof page, "%s/derived/" PUBLISH_PAGE, s->dir);
    assert_false(fs_exists(page));
}
