#include "tests/support/shoot.h"

#include <string.h>

#include "base/mem.h"
#include "image/cells.h"
#include "image/decode.h"
#include "image/measure.h"
#include "image/measure_io.h"
#include "plan/plan.h"
#include "plan/spacing.h"
#include "tests/support/test.h"

#define DATA "/usr/share/doc/opencv-doc/examples/data/"

struct kept {
    struct shoot_frame frame;
    uint8_t *jpeg;
    size_t bytes;
};

static void check_rc(int rc, const struct err *why)
{
    if (!rc) return;
    printf("%s\n", why->text);
    assert_int_equal(rc, 0);
}

static void set_bench(struct shoot *s, const struct shoot_opts *o)
{
    struct bench *b = &s->bench;
    strcpy(b->camera.kind, "simulated");
    b->camera.width_px = o->scene ? o->scene->width_px : o->clock || o->ruler ? 900 : 641;
    b->camera.height_px = o->scene ? o->scene->height_px : o->clock || o->ruler ? 600 : 555;
    b->camera.sensor_width_nm = 24000000;
    strcpy(b->axis.kind, "rail");
    strcpy(b->axis.link, "simulated");
    b->axis.lead_nm = 2000000;
    b->axis.steps_per_rev = 200;
    b->axis.microsteps = 16;
    b->lens.focal_length_nm = 35000000;
    b->lens.f_number = o->f_number > 0 ? o->f_number : 2.8;
    b->lens.pupil_ratio = 1;
    b->lens.teleconverter = 1;
}

static void plan_spacing(struct shoot *s, double magnification)
{
    struct job job = {.magnification = magnification, .depth_kind = DEPTH_LENGTH, .far_nm = 1000000};
    struct plan_optics o;
    struct err why = {0};
    check_rc(plan_optics_make(&s->bench, &job, &o, &why), &why);
    s->spacing_nm = llround(1000 * spacing_by_contrast_um(&o, PLAN_CONTRAST_DROP));
    s->blur_px_per_nm = magnification * magnification / o.effective_f_number / (o.pixel_um * 1000);
    s->focal_mm = 35;
    s->view_mm = s->focal_mm * (1 + 1 / magnification); /* thin lens */
}

void shoot_open(const struct shoot_opts *o, struct shoot *s)
{
    const double magnification = o->magnification > 0 ? o->magnification : 4;
    struct err why = {0};
    *s = (struct shoot){.noise = o->noise, .seed = o->seed, .magnification = magnification};
    set_bench(s, o);
    plan_spacing(s, magnification);
    const int32_t slices = o->slices > 0 ? o->slices : 22;
    s->near_nm = 0;
    s->far_nm = s->spacing_nm * (slices - 1);
    s->scene.near_nm = 0;
    s->scene.depth_nm = s->far_nm;
    s->scene.ruler = o->ruler;
    s->scene.noise = o->noise;
    s->scene.breathing = o->breathing;
    s->scene.dust = o->dust;
    s->scene.hot_pixels = o->hot_pixels;
    if (o->scene) {
        strcpy(s->scene.picture, o->scene->picture);
        strcpy(s->scene.depth_map, o->scene->depth_map);
        s->scene.depth_map_is_distance = o->scene->is_distance;
    } else if (!o->clock && !o->ruler) {
        strcpy(s->scene.picture, DATA "aloeL.jpg");
        strcpy(s->scene.depth_map, DATA "aloeGT.png");
    }
    const struct world_opts w = {.bench = &s->bench,
                                 .scene = &s->scene,
                                 .magnification = magnification,
                                 .exposure_us = 250000,
                                 .seed = o->seed,
                                 .quiet = true};
    s->world = world_new(&w, &why);
    if (!s->world) check_rc(why.code, &why);
}

void shoot_close(struct shoot *s)
{
    for (int32_t i = 0; i < s->kept_count; i++)
        mem_free(s->kept[i].jpeg);
    mem_free(s->kept);
    world_free(s->world);
    *s = (struct shoot){0};
}

static bool same_frame(const struct shoot_frame *a, const struct shoot_frame *b)
{
    return a->at_nm == b->at_nm && a->again == b->again && a->shake_px == b->shake_px &&
           a->shake_deg == b->shake_deg && a->sine_px == b->sine_px && a->shift_px == b->shift_px &&
           a->light_stops == b->light_stops;
}

static struct kept *keep(struct shoot *s, const struct shoot_frame *f)
{
    if (s->kept_count == s->kept_room) {
        s->kept = mem_grow(s->kept, (size_t)s->kept_room, (size_t)s->kept_room + 64, sizeof *s->kept, NULL);
        s->kept_room += 64;
    }
    struct kept *k = &s->kept[s->kept_count++];
    *k = (struct kept){.frame = *f};
    return k;
}

/* One pixel on the subject, um. */
static double pixel_um(const struct shoot *s)
{
    return (double)s->bench.camera.sensor_width_nm / 1000 / s->bench.camera.width_px / s->magnification;
}

static const struct kept *render(struct shoot *s, const struct shoot_frame *f)
{
    for (int32_t i = 0; i < s->kept_count; i++)
        if (same_frame(&s->kept[i].frame, f)) return &s->kept[i];
    struct kept *k = keep(s, f);
    struct shot shot = {.f_number = s->bench.lens.f_number, .iso = 100, .focal_length_nm = 35000000};
    struct err why = {0};
    shot.noise_seed = s->seed * 1000003u + (uint64_t)(f->at_nm * 17 + s->far_nm * 31 + f->again);
    world_place(s->world, f->at_nm);
    const int64_t open_us = (int64_t)s->kept_count * 2000000;
    world_expose(s->world, open_us, open_us + 250000, false, &shot);
    shot.light *= pow(2, f->light_stops);
    for (int32_t i = 0; i < shot.samples; i++) {
        const double time = (i + 0.5) / shot.samples;
        const double off = f->shake_px * (time - 0.5) + f->sine_px * sin(2 * M_PI * 10 * time);
        shot.x_um[i] += pixel_um(s) * (f->shift_px + off * cos(f->shake_deg * M_PI / 180));
        shot.y_um[i] -= pixel_um(s) * off * sin(f->shake_deg * M_PI / 180);
    }
    check_rc(world_render(s->world, &shot, 2, &k->jpeg, &k->bytes, &why), &why);
    if (s->touch) s->touch(s->touch_arg, f, &k->jpeg, &k->bytes);
    return k;
}

static void measure_kept(struct measure_space *space, const struct kept *k, struct register_view **before,
                         struct frame_measure *out)
{
    struct register_view *view = NULL;
    struct err why = {0};
    check_rc(measure_frame(space, "frame", k->jpeg, k->bytes, *before, out, &view, NULL, &why), &why);
    register_view_free(*before);
    *before = view;
}

void shoot_frames(struct shoot *s, const struct shoot_frame *f, int32_t n, struct shots *out)
{
    struct register_view *before = NULL;
    struct measure_space *space = measure_space_new(NULL);
    *out = (struct shots){.frames = n};
    out->at_nm = mem_new((size_t)n, sizeof *out->at_nm, NULL);
    out->measures = mem_new((size_t)n, sizeof *out->measures, NULL);
    out->list = mem_new((size_t)n, sizeof *out->list, NULL);
    out->rows = mem_new((size_t)n, sizeof *out->rows, NULL);
    out->planned_scale = mem_new((size_t)n, sizeof *out->planned_scale, NULL);
    for (int32_t i = 0; i < n; i++) {
        measure_kept(space, render(s, &f[i]), &before, &out->measures[i]);
        out->at_nm[i] = f[i].at_nm;
        out->list[i] = &out->measures[i];
        out->rows[i] = (struct frame_row){.slice = i + 1, .target_nm = f[i].at_nm, .exposure_us = 250000};
        /* A point in the plane of focus halfway comes nearer by what the rail advances. */
        out->planned_scale[i] = exp((double)(f[i].at_nm - f[0].at_nm) / (s->view_mm * 1e6));
    }
    register_view_free(before);
    measure_space_free(space);
}

void shoot_places(const struct shoot *s, int64_t first_nm, int64_t spacing_nm, int32_t n,
                  struct shoot_frame *out)
{
    (void)s;
    for (int32_t i = 0; i < n; i++)
        out[i] = (struct shoot_frame){.at_nm = first_nm + i * spacing_nm};
}

void shoot_even(struct shoot *s, int64_t first_nm, int64_t spacing_nm, int32_t n, struct shots *out)
{
    struct shoot_frame *f = mem_new((size_t)n, sizeof *f, NULL);
    shoot_places(s, first_nm, spacing_nm, n, f);
    shoot_frames(s, f, n, out);
    mem_free(f);
}

void shots_clear(struct shots *s)
{
    for (int32_t i = 0; i < s->frames; i++)
        frame_measure_clear(&s->measures[i]);
    mem_free(s->measures);
    mem_free(s->list);
    mem_free(s->rows);
    mem_free(s->at_nm);
    mem_free(s->planned_scale);
    *s = (struct shots){0};
}

void shots_check(const struct shots *s, int planned, struct verdict *out)
{
    struct err why = {0};
    struct check_input in = {.frames = s->frames, .measures = s->list, .order = ORDER_NEAR_FIRST};
    if (planned == SHOTS_PLANNED) {
        in.rows = s->rows;
        in.planned_scale = s->planned_scale;
    }
    check_rc(check_stack(&in, out, &why), &why);
}
