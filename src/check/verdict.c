#include "base/findings.h"
#include "base/mem.h"
#include "check/check.h"

static void clear_list(struct frame_list *list)
{
    mem_free(list->rows);
}

void verdict_clear(struct verdict *v)
{
    if (!v) return;
    mem_free(v->tiles);
    mem_free(v->place);
    clear_list(&v->unneeded);
    clear_list(&v->blurred);
    clear_list(&v->shifted);
    clear_list(&v->swapped);
    clear_list(&v->repeated);
    mem_free(v->ridge.tiles);
    mem_free(v->ridge.sharpness);
    mem_free(v->ridge.place);
    mem_free(v->spots);
    mem_free(v->gaps);
    mem_free(v->groups);
    mem_free(v->light.jumps);
    findings_clear(&v->findings);
    *v = (struct verdict){0};
}
