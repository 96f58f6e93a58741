#include "tests/support/main_job_verbs.h"

#include <jansson.h>
#include <string.h>

#include "base/mem.h"
#include "tests/support/shell.h"
#include "tests/support/test.h"

static json_t *said_json(const char *command, int status)
{
    json_error_t error;
    const int ended = in_shell("%s %s --json", staddle_program(), command);
    if (ended != status)
        fail_msg("%s ended with %d, not %d: %s%.4000s", command, ended, status, shell_err(), shell_out());
    json_t *o = json_load_file(in_folder(".out"), 0, &error);
    if (!o) fail_msg("%s: %s", command, error.text);
    return o;
}

static void write_job(const struct shoot *s, int64_t far_nm, uint64_t seed)
{
    FILE *f = fopen(in_folder("bench.yaml"), "w");
    assert_non_null(f);
    fprintf(f, "camera: {kind: simulated, width_px: 641, height_px: 555, sensor_width_mm: 24}\n"
               "axis: {kind: rail, link: simulated, lead_mm: 2, steps_per_rev: 200, microsteps: 16}\n"
               "lens: {focal_length_mm: 35, f_number: 2.8}\n");
    fclose(f);
    f = fopen(in_folder("job.yaml"), "w");
    assert_non_null(f);
    fprintf(f,
            "bench: bench.yaml\nmagnification: 4\nnear_mm: 0\nfar_mm: %.6f\nexposure_s: 0.25\nseed: %llu\n"
            "scene:\n  picture: %s\n  depth_map: %s\n  depth_map_is: disparity\n  near_mm: 0\n"
            "  depth_mm: %.6f\n  noise: %g\n",
            (double)far_nm * 1e-6, (unsigned long long)seed, s->scene.picture, s->scene.depth_map,
            (double)s->far_nm * 1e-6, s->noise);
    fclose(f);
}

/* Where the plan puts the slices: even between its ends, to a count. */
static void read_plan(struct shots *at)
{
    json_t *o = said_json("plan job.yaml", 0);
    const json_t *travel = json_object_get(o, "travel");
    const double first = json_number_value(json_object_get(travel, "first_mm")) * 1e6,
                 last = json_number_value(json_object_get(travel, "last_mm")) * 1e6;
    at->frames = (int32_t)json_integer_value(json_object_get(json_object_get(o, "slices"), "count"));
    assert_in_range(at->frames, 3, 100);
    at->at_nm = mem_new((size_t)at->frames, sizeof *at->at_nm, NULL);
    assert_non_null(at->at_nm);
    for (int32_t i = 0; i < at->frames; i++)
        at->at_nm[i] = llround(first + (last - first) * i / (at->frames - 1));
    json_decref(o);
}

static int32_t whole(const json_t *o, const char *key)
{
    const json_t *v = json_object_get(o, key);
    return json_is_integer(v) ? (int32_t)json_integer_value(v) : -1;
}

static void read_tiles(const json_t *o, struct verdict *v)
{
    const json_t *tiles = json_object_get(o, "tiles");
    v->rows = whole(tiles, "rows");
    v->cols = whole(tiles, "cols");
    v->cell_px = whole(tiles, "cell_px");
    v->tiles = mem_new((size_t)v->rows * (size_t)v->cols, sizeof *v->tiles, NULL);
    assert_non_null(v->tiles);
    for (int32_t k = 0; k < v->rows * v->cols; k++) {
        const size_t row = (size_t)(k / v->cols), col = (size_t)(k % v->cols);
        const json_t *peak = json_array_get(json_array_get(json_object_get(tiles, "peak"), row), col);
        const json_t *state = json_array_get(json_array_get(json_object_get(tiles, "state"), row), col);
        assert_non_null(state);
        v->tiles[k].peak_count = json_is_number(peak);
        v->tiles[k].peak[0] = (float)json_number_value(peak);
        if (!strcmp(json_string_value(state), "unsharp-after")) v->tiles[k].state = TILE_UNSHARP_AFTER;
    }
}

static void read_check(struct done *d, int status)
{
    json_t *o = said_json("check s", status);
    struct verdict *v = &d->v;
    size_t i;
    json_t *finding;
    v->frames = whole(o, "frames");
    v->useful_first = whole(o, "useful_first");
    v->useful_last = whole(o, "useful_last");
    v->margin = whole(o, "margin");
    v->tile_px = whole(o, "tile_px");
    v->unsharp_before_fraction = json_number_value(json_object_get(o, "unsharp_before_fraction"));
    v->unsharp_after_fraction = json_number_value(json_object_get(o, "unsharp_after_fraction"));
    read_tiles(o, v);
    json_array_foreach (json_object_get(o, "findings"), i, finding) {
        const size_t used = strlen(d->codes);
        snprintf(d->codes + used, sizeof d->codes - used, "%s ",
                 json_string_value(json_object_get(finding, "code")));
    }
    json_decref(o);
}

static void read_handover(struct done *d)
{
    assert_int_equal(in_shell("cd h && sha256sum -c --quiet manifest.sha256"), 0);
    assert_int_equal(in_shell("cd h && ls *_s*.jpg | sed 's/.*_s//; s/.jpg//' | sort -n"), 0);
    int32_t n = 0, slice = 0, last = 0;
    for (const char *at = shell_out(); sscanf(at, "%d", &slice) == 1; at = strchr(at, '\n') + 1) {
        if (n++ == 0)
            d->handed_first = slice - 1;
        else
            assert_int_equal(slice, last + 1);
        last = slice;
    }
    assert_true(n > 0);
    d->handed_last = last - 1;
    assert_int_equal(in_shell("for f in h/*_s*.jpg; do cmp $f s/frames/s${f##*_s} || exit 1; done"), 0);
}

void main_job_do(int32_t slices, double far_share, double short_px, double noise, uint64_t seed,
                 struct done *d)
{
    *d = (struct done){0};
    assert_int_equal(in_shell("rm -rf s h"), 0);
    shoot_open(&(struct shoot_opts){.noise = noise, .seed = seed, .slices = slices}, &d->s);
    const double margin_nm = short_px > 0 ? 2.0 * (double)d->s.spacing_nm : 0; /* that the plan will add */
    const double far = (double)d->s.far_nm * far_share - short_px / d->s.blur_px_per_nm - margin_nm;
    write_job(&d->s, (int64_t)far, seed);
    read_plan(&d->at);
    json_decref(said_json("simulate job.yaml --stack s", 0));
    read_check(d, short_px > 0);
    json_decref(said_json("handover s --to h", short_px > 0));
    read_handover(d);
    assert_int_equal(d->v.frames, d->at.frames);
}

void done_clear(struct done *d)
{
    verdict_clear(&d->v);
    mem_free(d->at.at_nm);
    shoot_close(&d->s);
}
