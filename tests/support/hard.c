#include "tests/support/hard.h"

#include <string.h>

#include "tests/support/test.h"

struct shoot_scene hard_aloe(void)
{
    return (struct shoot_scene){.picture = "/usr/share/doc/opencv-doc/examples/data/aloeL.jpg",
                                .depth_map = "/usr/share/doc/opencv-doc/examples/data/aloeGT.png",
                                .width_px = 400,
                                .height_px = 346};
}

void hard_reset(struct hard *h)
{
    shoot_places(&h->s, -HARD_SPARE * h->s.spacing_nm, h->s.spacing_nm, HARD_ROOM, h->f);
}

void hard_open(struct hard *h, const struct shoot_scene *scene)
{
    *h = (struct hard){0};
    shoot_open(
        &(struct shoot_opts){.scene = scene, .clock = !scene, .noise = 1, .seed = 5, .slices = HARD_SLICES},
        &h->s);
    hard_reset(h);
}

void hard_close(struct hard *h)
{
    verdict_clear(&h->v);
    shoot_close(&h->s);
}

static void print_row(const struct verdict *v, const char *what)
{
    char words[400] = "";
    for (int32_t i = 0; i < v->findings.count; i++) {
        const struct finding *g = &v->findings.rows[i];
        const size_t used = strlen(words);
        snprintf(words + used, sizeof words - used, "%s%s", used ? ", " : "", g->code);
        if (g->frame_count && strcmp(g->code, "unneeded"))
            snprintf(words + strlen(words), sizeof words - strlen(words), " %d", (int)g->frames[0] + 1);
    }
    printf("printed: hard case | %-52s | %s\n", what, words[0] ? words : "nothing");
}

void hard_judge(struct hard *h, int32_t from, int32_t n, const char *what)
{
    struct shots shots;
    struct err why = {0};
    shoot_frames(&h->s, h->f + from, n, &shots);
    verdict_clear(&h->v);
    h->v = (struct verdict){0};
    const struct check_input in = {
        .frames = n, .measures = shots.list, .order = ORDER_NEAR_FIRST, .region = h->region};
    if (check_stack(&in, &h->v, &why)) fail_msg("%s", why.text);
    print_row(&h->v, what);
    shots_clear(&shots);
}

const struct finding *hard_said(const struct hard *h, const char *code)
{
    for (int32_t i = 0; i < h->v.findings.count; i++)
        if (strcmp(h->v.findings.rows[i].code, code) == 0) return &h->v.findings.rows[i];
    return NULL;
}

bool hard_names(const struct hard *h, const char *code, int32_t frame)
{
    const struct finding *f = hard_said(h, code);
    for (int32_t i = 0; f && i < f->frame_count; i++)
        if (f->frames[i] == frame) return true;
    return false;
}

int32_t hard_blames(const struct hard *h)
{
    int32_t n = 0;
    for (int32_t i = 0; i < h->v.findings.count; i++) {
        const char *code = h->v.findings.rows[i].code;
        n += strcmp(code, "unneeded") && strcmp(code, "no-texture") && strcmp(code, "clipped") &&
             strcmp(code, "border");
    }
    return n;
}
