/* cmd_lens.c - staddle lens magnification FILE --pitch-mm P */
#include <math.h>
#include <string.h>

#include "base/fs.h"
#include "base/json.h"
#include "base/mem.h"
#include "base/units.h"
#include "cmd.h"
#include "config/config.h"
#include "image/decode.h"
#include "image/ruler.h"

#define FILE_BYTES_MOST ((size_t)1 << 31)

static int sensor_width(const struct cmd *c, double *mm, struct err *why)
{
    struct bench bench;
    const char *path = cmd_text(c, "bench");
    int rc = cmd_number(c, "sensor-width-mm", 1, 200, mm, why);
    if (rc || cmd_text(c, "sensor-width-mm")) return rc;
    if (!path)
        return fail(why, E_INPUT,
                    "the width of the camera's sensor is needed: give --sensor-width-mm, or --bench FILE");
    rc = bench_read(path, &bench, why);
    if (rc) return rc;
    *mm = mm_from_nm(bench.camera.sensor_width_nm);
    bench_clear(&bench);
    return *mm > 0 ? E_OK : fail(why, E_INPUT, "%s: does not tell camera.sensor_width_mm; add it", path);
}

static int measure(const char *path, struct ruler *out, struct image *image, struct err *why)
{
    uint8_t *bytes;
    size_t count;
    int rc = fs_read(path, FILE_BYTES_MOST, &bytes, &count, why);
    if (rc) return rc;
    rc = image_decode_luma(path, bytes, count, image, NULL, why);
    mem_free(bytes);
    if (rc) return rc;
    struct err said = {0};
    rc = ruler_measure(image->luma, image->width_px, image->height_px, out, &said);
    return rc ? fail(why, said.code ? said.code : E_INPUT, "%s: %s", path, said.text) : E_OK;
}

/* The sensor's width lies along the picture's longer side, however that is stored. */
static json_t *describe(const struct cmd *c, const struct ruler *r, const struct image *i, double pitch_mm,
                        double sensor_mm)
{
    const int32_t longer = i->width_px > i->height_px ? i->width_px : i->height_px;
    const double field_mm = longer / r->period_px * pitch_mm, magnification = sensor_mm / field_mm;
    const double share = r->uncertainty_px / r->period_px;
    json_t *o = cmd_result(c);
    json_object_set_new(o, "file", json_text(cmd_operand(c, 1)));
    json_object_set_new(o, "pitch_mm", json_number(pitch_mm));
    json_object_set_new(o, "sensor_width_mm", json_number(sensor_mm));
    json_object_set_new(o, "width_px", json_integer(longer));
    json_object_set_new(o, "period_px", json_rounded(r->period_px, 4));
    json_object_set_new(o, "period_uncertainty_px", json_rounded(r->uncertainty_px, 4));
    json_object_set_new(o, "angle_deg", json_rounded(r->angle_deg, 1));
    json_object_set_new(o, "marks", json_rounded(r->periods, 0));
    json_object_set_new(o, "change_fraction", json_rounded(r->change, 4));
    json_object_set_new(o, "magnification", json_rounded(magnification, 5));
    json_object_set_new(o, "magnification_uncertainty", json_rounded(magnification * share, 5));
    json_object_set_new(o, "uncertainty_fraction", json_rounded(share, 6));
    json_object_set_new(o, "field_width_mm", json_rounded(field_mm, 4));
    json_object_set_new(o, "job_line", json_sprintf("magnification: %.4f", magnification));
    return o;
}

#define TILTED_PERCENT 0.5

static void text(FILE *out, const json_t *r)
{
    const double change = 100 * json_get_number(r, "change_fraction");
    fprintf(out, "%s: about %.0f marks, %.3f px apart, at %.1f degrees\n", json_get_text(r, "file"),
            json_get_number(r, "marks"), json_get_number(r, "period_px"), json_get_number(r, "angle_deg"));
    fprintf(out, "magnification %.4f, uncertain by %.5f (%.3f %%); the picture is %.3f mm wide\n",
            json_get_number(r, "magnification"), json_get_number(r, "magnification_uncertainty"),
            100 * json_get_number(r, "uncertainty_fraction"), json_get_number(r, "field_width_mm"));
    if (fabs(change) >= TILTED_PERCENT)
        fprintf(
            out,
            "the marks' distance changes by %.2f %% along the ruler: it is tilted; this is for its middle\n",
            fabs(change));
    fprintf(out, "for the job file:\n%s\n", json_get_text(r, "job_line"));
}

static int magnification(struct cmd *c, struct err *why)
{
    double pitch_mm = NAN, sensor_mm = 0;
    struct ruler ruler;
    struct image image = {0};
    int rc = cmd_number(c, "pitch-mm", 0.0001, 100, &pitch_mm, why);
    if (!rc && isnan(pitch_mm))
        rc = fail(why, E_INPUT,
                  "--pitch-mm is needed: the distance of neighbouring marks of the ruler, e.g. 1");
    if (!rc) rc = sensor_width(c, &sensor_mm, why);
    if (!rc) rc = measure(cmd_operand(c, 1), &ruler, &image, why);
    if (!rc) cmd_print(c, describe(c, &ruler, &image, pitch_mm, sensor_mm), text);
    image_clear(&image);
    return rc;
}

static int run(struct cmd *c, struct err *why)
{
    if (strcmp(cmd_operand(c, 0), "magnification") != 0)
        return fail(why, E_INPUT, "lens %s: no such action; use magnification", cmd_operand(c, 0));
    return magnification(c, why);
}

static const struct option_row options[] = {
    {"pitch-mm", "MM", "distance of neighbouring marks, whatever their length"},
    {"sensor-width-mm", "MM", "of the camera, along the picture's longer side; or --bench FILE"},
    {NULL, NULL, NULL},
};

const struct verb verb_lens = {
    .name = "lens",
    .operands = "ACTION FILE",
    .least = 2,
    .most = 2,
    .summary = "measure the magnification from a picture of a ruler",
    .about =
        "lens magnification FILE --pitch-mm 1: FILE is a picture of a ruler, lying any way, in focus, its "
        "marks\n"
        "filling most of the picture, whole as the camera took it (not cropped). Tells the magnification, "
        "the\n"
        "width of the picture on the subject's side, how uncertain both are, and the line for the job file.\n"
        "The uncertainty is of the picture alone; a cheap ruler itself may be off by some tenths of a per "
        "cent,\n"
        "and one that is tilted by 3 degrees along its length looks 0.14 per cent too short.",
    .options = options,
    .run = run,
};
