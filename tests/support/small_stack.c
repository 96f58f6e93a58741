#include "tests/support/small_stack.h"

#include "tests/support/shell.h"
#include "tests/support/test.h"

struct store *planned(const char *name, int64_t *plan_id)
{
    struct err why = {0};
    struct store *st = NULL;
    struct plan_slice slices[SLICES];
    const struct stack_info info = {.kind = STACK_PLANNED,
                                    .simulated = true,
                                    .seed = UINT64_MAX - 6,
                                    .name = "clock movement",
                                    .bench_text = (char *)"name: kitchen table\n",
                                    .job_text = (char *)"slices: 5\n",
                                    .created_wall_us = WALL};
    for (int i = 0; i < SLICES; i++)
        slices[i] = (struct plan_slice){i + 1, i == 0 || i == 4, 1000 * i, 16 * i};
    const struct plan plan = {.source = PLAN_PLANNED,
                              .spacing_nm = 1000,
                              .optics.scale_change = 0.07,
                              .slice_count = SLICES,
                              .slices = slices};
    if (store_create(in_folder("%s", name), &info, &st, &why)) print_error("%s\n", why.text);
    assert_non_null(st);
    assert_int_equal(store_add_plan(st, &plan, "as planned", WALL, plan_id, &why), E_OK);
    return st;
}

struct exposure_row wish(int64_t plan_id, int32_t slice)
{
    return (struct exposure_row){.purpose = PURPOSE_STACK,
                                 .plan_id = plan_id,
                                 .slice = slice,
                                 .nonce = 7,
                                 .fire_seq = slice,
                                 .camera_epoch = 1,
                                 .reached_counts = 16 * slice,
                                 .settle_us = 1000000,
                                 .triggered_at_us = WALL + slice,
                                 .exposure_us = 250000};
}

struct file_row put_file(struct store *st, const struct exposure_row *e, const char *ext)
{
    char name[64];
    struct file_row f;
    struct err why = {0};
    assert_int_equal(store_frame_name(name, sizeof name, e, ext, &why), E_OK);
    if (store_put_frame(st, name, name, strlen(name), &f, &why)) print_error("%s\n", why.text);
    assert_string_equal(f.name, name);
    return f;
}

int64_t keep(struct store *st, int64_t plan_id, int32_t slice)
{
    struct exposure_row e = wish(plan_id, slice);
    assert_int_equal(store_exposure_begin(st, &e, NULL), E_OK);
    assert_int_equal(store_exposure_seen(st, e.id, "IMG_0001.JPG", 1234, NULL), E_OK);
    const struct file_row f = put_file(st, &e, "jpg");
    assert_int_equal(store_exposure_kept(st, e.id, &f, 1, NULL), E_OK);
    return e.id;
}
