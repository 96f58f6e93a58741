/* photo.c - the file that the simulated camera hands out: JPEG (ITU-T T.81) with Exif (CIPA DC-008). */
#include <stdio.h>
#include <jpeglib.h>
#include <libexif/exif-data.h>
#include <math.h>
#include <setjmp.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "base/mem.h"
#include "sim/inside.h"

#define QUALITY 92

/* --- Exif --- */

static void *room_for(ExifEntry *e, ExifContent *content, ExifTag tag, ExifFormat format, size_t components,
                      size_t bytes, ExifMem *mem)
{
    e->data = exif_mem_alloc(mem, (ExifLong)bytes);
    e->tag = tag;
    e->format = format;
    e->components = components;
    e->size = (unsigned)bytes;
    exif_content_add_entry(content, e);
    return e->data;
}

struct exif_writer {
    ExifData *data;
    ExifMem *mem;
};

static void put_bytes(struct exif_writer *x, ExifIfd ifd, ExifTag tag, ExifFormat format, const void *bytes,
                      size_t count)
{
    ExifEntry *e = exif_entry_new_mem(x->mem);
    if (!e) return;
    void *to = room_for(e, x->data->ifd[ifd], tag, format, count, count, x->mem);
    if (to) memcpy(to, bytes, count);
    exif_entry_unref(e);
}

static void put_text(struct exif_writer *x, ExifIfd ifd, ExifTag tag, const char *text)
{
    put_bytes(x, ifd, tag, EXIF_FORMAT_ASCII, text, strlen(text) + 1);
}

static void put_short(struct exif_writer *x, ExifIfd ifd, ExifTag tag, double value)
{
    ExifEntry *e = exif_entry_new_mem(x->mem);
    if (!e) return;
    void *to = room_for(e, x->data->ifd[ifd], tag, EXIF_FORMAT_SHORT, 1, 2, x->mem);
    if (to)
        exif_set_short(to, EXIF_BYTE_ORDER_INTEL,
                       (ExifShort)(value < 0       ? 0
                                   : value > 65535 ? 65535
                                                   : value + 0.5));
    exif_entry_unref(e);
}

static void put_long(struct exif_writer *x, ExifIfd ifd, ExifTag tag, int32_t value)
{
    ExifEntry *e = exif_entry_new_mem(x->mem);
    if (!e) return;
    void *to = room_for(e, x->data->ifd[ifd], tag, EXIF_FORMAT_LONG, 1, 4, x->mem);
    if (to) exif_set_long(to, EXIF_BYTE_ORDER_INTEL, (ExifLong)value);
    exif_entry_unref(e);
}

static void put_ratio(struct exif_writer *x, ExifTag tag, int64_t top, int64_t bottom)
{
    ExifEntry *e = exif_entry_new_mem(x->mem);
    if (!e) return;
    void *to = room_for(e, x->data->ifd[EXIF_IFD_EXIF], tag, EXIF_FORMAT_RATIONAL, 1, 8, x->mem);
    if (to)
        exif_set_rational(to, EXIF_BYTE_ORDER_INTEL,
                          (ExifRational){(ExifLong)(top > 0 ? top : 0), (ExifLong)(bottom > 0 ? bottom : 1)});
    exif_entry_unref(e);
}

static void put_times(struct exif_writer *x, int64_t wall_us)
{
    time_t seconds = (time_t)(wall_us / 1000000);
    struct tm utc;
    char text[32], part[16];
    if (!gmtime_r(&seconds, &utc) || strftime(text, sizeof text, "%Y:%m:%d %H:%M:%S", &utc) == 0) return;
    snprintf(part, sizeof part, "%06d", (int)(wall_us % 1000000));
    put_text(x, EXIF_IFD_0, EXIF_TAG_DATE_TIME, text);
    put_text(x, EXIF_IFD_EXIF, EXIF_TAG_DATE_TIME_ORIGINAL, text);
    put_text(x, EXIF_IFD_EXIF, EXIF_TAG_DATE_TIME_DIGITIZED, text);
    put_text(x, EXIF_IFD_EXIF, EXIF_TAG_SUB_SEC_TIME_ORIGINAL, part);
    put_text(x, EXIF_IFD_EXIF, EXIF_TAG_OFFSET_TIME_ORIGINAL, "+00:00");
}

static void put_all(struct exif_writer *x, const struct world *w, const struct shot *s)
{
    char id[33];
    put_text(x, EXIF_IFD_0, EXIF_TAG_MAKE, "Staddle");
    put_text(x, EXIF_IFD_0, EXIF_TAG_MODEL, "simulated camera");
    put_short(x, EXIF_IFD_0, EXIF_TAG_ORIENTATION, 1);
    put_bytes(x, EXIF_IFD_EXIF, EXIF_TAG_EXIF_VERSION, EXIF_FORMAT_UNDEFINED, "0231", 4);
    put_times(x, s->wall_us);
    if (s->exposure_us > 0) put_ratio(x, EXIF_TAG_EXPOSURE_TIME, s->exposure_us, 1000000);
    double f = s->f_number > 0 ? s->f_number : w->lens.marked_f_number;
    if (f > 0) put_ratio(x, EXIF_TAG_FNUMBER, llround(f * 100), 100);
    put_short(x, EXIF_IFD_EXIF, EXIF_TAG_ISO_SPEED_RATINGS, s->iso > 0 ? s->iso : 100);
    if (s->focal_length_nm > 0) put_ratio(x, EXIF_TAG_FOCAL_LENGTH, s->focal_length_nm / 1000, 1000);
    put_long(x, EXIF_IFD_EXIF, EXIF_TAG_PIXEL_X_DIMENSION, w->camera.width_px);
    put_long(x, EXIF_IFD_EXIF, EXIF_TAG_PIXEL_Y_DIMENSION, w->camera.height_px);
    snprintf(id, sizeof id, "%016llx%016llx", (unsigned long long)s->noise_seed,
             (unsigned long long)s->token);
    put_text(x, EXIF_IFD_EXIF, EXIF_TAG_IMAGE_UNIQUE_ID, id);
}

/* The APP1 payload, "Exif\0\0" first. */
static int exif_block(const struct world *w, const struct shot *s, unsigned char **out, unsigned *count,
                      struct err *why)
{
    struct exif_writer x = {.mem = exif_mem_new_default()};
    x.data = x.mem ? exif_data_new_mem(x.mem) : NULL;
    *out = NULL;
    if (x.data) {
        exif_data_set_byte_order(x.data, EXIF_BYTE_ORDER_INTEL);
        put_all(&x, w, s);
        exif_data_save_data(x.data, out, count);
        exif_data_unref(x.data);
    }
    if (x.mem) exif_mem_unref(x.mem);
    return *out ? E_OK : fail(why, E_NOMEM, "no memory for the frame's Exif block; close other programs");
}

/* --- JPEG --- */

struct catcher {
    struct jpeg_error_mgr base;
    jmp_buf back;
};

static void caught(j_common_ptr c)
{
    longjmp(((struct catcher *)c->err)->back, 1);
}

static void ignore(j_common_ptr c)
{
    (void)c;
}

static int compress(const struct world *w, const uint8_t *rgb, const unsigned char *exif, unsigned exif_count,
                    unsigned char **out, unsigned long *count, struct err *why)
{
    struct jpeg_compress_struct c;
    struct catcher e;
    c.err = jpeg_std_error(&e.base);
    e.base.error_exit = caught;
    e.base.output_message = ignore;
    if (setjmp(e.back)) {
        jpeg_destroy_compress(&c);
        return fail(why, E_NOMEM, "the frame could not be packed as a JPEG; close other programs");
    }
    jpeg_create_compress(&c);
    jpeg_mem_dest(&c, out, count);
    c.image_width = (JDIMENSION)w->camera.width_px;
    c.image_height = (JDIMENSION)w->camera.height_px;
    c.input_components = 3;
    c.in_color_space = JCS_RGB;
    jpeg_set_defaults(&c);
    jpeg_set_quality(&c, QUALITY, TRUE);
    c.write_JFIF_header = FALSE;
    jpeg_start_compress(&c, TRUE);
    jpeg_write_marker(&c, JPEG_APP0 + 1, exif, exif_count);
    while (c.next_scanline < c.image_height) {
        JSAMPROW row = (JSAMPROW)(uintptr_t)(rgb + 3 * (size_t)c.next_scanline * (size_t)c.image_width);
        jpeg_write_scanlines(&c, &row, 1);
    }
    jpeg_finish_compress(&c);
    jpeg_destroy_compress(&c);
    return E_OK;
}

int photo_jpeg(const struct world *w, const struct shot *s, const uint8_t *rgb, uint8_t **jpeg_out,
               size_t *count_out, struct err *why)
{
    unsigned char *exif = NULL, *packed = NULL;
    unsigned exif_count = 0;
    unsigned long count = 0;
    int rc = exif_block(w, s, &exif, &exif_count, why);
    if (!rc) rc = compress(w, rgb, exif, exif_count, &packed, &count, why);
    uint8_t *out = rc ? NULL : mem_new(count, 1, why);
    if (!rc && !out) rc = E_NOMEM;
    if (!rc) {
        memcpy(out, packed, count);
        *jpeg_out = out;
        *count_out = count;
    }
    free(packed);
    free(exif);
    return rc;
}
