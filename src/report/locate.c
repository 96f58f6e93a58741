#include "report/locate.h"

#include <string.h>

int locate_new(struct store *store, const struct judgement *j, struct locate *out, struct err *why)
{
    struct locate l = {0};
    const struct verdict *v = &j->verdict;
    int rc = judge_where(j, &l.map, why);
    if (!rc && v->useful_first >= 0) {
        const struct handover_request rq = {
            .useful_first = v->useful_first, .useful_last = v->useful_last, .margin = v->margin};
        rc = selection_make(store, &rq, &l.handed, why);
        l.handed_known = rc == 0;
        if (rc == E_INPUT) rc = E_OK; /* nothing of it would be handed over */
    }
    if (rc)
        locate_clear(&l);
    else
        *out = l;
    return rc;
}

void locate_clear(struct locate *l)
{
    where_clear(&l->map);
    if (l->handed_known) selection_clear(&l->handed);
    *l = (struct locate){0};
}

const char *locate_handed_name(const struct locate *l, const struct judgement *j, int32_t frame)
{
    for (int32_t i = 0; l->handed_known && i < l->handed.record.count; i++) {
        const struct record_row *r = &l->handed.record.rows[i];
        if (r->frame == frame && r->file.id == j->rows[frame].files[0].id) return r->name;
    }
    return "";
}

int locate_frame(const struct locate *l, const struct judgement *j, const char *name, int32_t *frame_out,
                 struct err *why)
{
    const char *slash = strrchr(name, '/'), *last = slash ? slash + 1 : name;
    for (int32_t i = 0; i < j->frames; i++)
        for (int32_t k = 0; k < j->rows[i].file_count; k++)
            if (!strcmp(last, j->rows[i].files[k].name)) {
                *frame_out = i;
                return E_OK;
            }
    for (int32_t i = 0; l->handed_known && i < l->handed.record.count; i++) {
        const struct record_row *r = &l->handed.record.rows[i];
        if (r->frame < 0 || strcmp(last, r->name) != 0) continue;
        *frame_out = r->frame;
        return E_OK;
    }
    return fail(why, E_INPUT,
                "--in %s: no frame of this stack or of its hand-over has a file of that name, such as %s",
                name, j->rows[0].files[0].name);
}
