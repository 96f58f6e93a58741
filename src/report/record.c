#include "report/record.h"

#include <inttypes.h>
#include <string.h>

#include "base/json.h"
#include "base/mem.h"
#include "base/units.h"
#include "store/words.h"

void record_clear(struct record *r)
{
    if (!r) return;
    mem_free(r->rows);
    memset(r, 0, sizeof *r);
}

static void csv_text(FILE *out, const char *text)
{
    if (!strpbrk(text, ",\"\r\n")) {
        fputs(text, out);
        return;
    }
    fputc('"', out);
    for (; *text; text++) {
        if (*text == '"') fputc('"', out);
        fputc(*text, out);
    }
    fputc('"', out);
}

/* value / 10^digits without a float and without a locale. Nothing when absent. */
static void csv_decimal(FILE *out, int64_t value, int digits)
{
    uint64_t unit = 1, size = value < 0 ? -(uint64_t)value : (uint64_t)value;
    if (value == STACK_NONE) return;
    for (int i = 0; i < digits; i++)
        unit *= 10;
    fprintf(out, "%s%" PRIu64, value < 0 ? "-" : "", size / unit);
    if (digits) fprintf(out, ".%0*" PRIu64, digits, size % unit);
}

static void csv_number(FILE *out, double value)
{
    if (value > 0 && value < 1e12) csv_decimal(out, (int64_t)(value * 100 + 0.5), 2);
}

static void csv_utc(FILE *out, int64_t wall_us)
{
    if (wall_us == STACK_NONE) return;
    json_t *t = json_utc(wall_us);
    if (json_is_string(t)) fputs(json_string_value(t), out);
    json_decref(t);
}

static void csv_row(FILE *out, const struct record_row *r)
{
    if (r->frame >= 0) fprintf(out, "%d", (int)r->frame);
    fputc(',', out);
    if (r->slice > 0) fprintf(out, "%d", (int)r->slice);
    fprintf(out, ",%d,%s,", (int)r->attempt, r->handed_over ? "yes" : "no");
    csv_text(out, r->why);
    fputc(',', out);
    csv_text(out, r->reason);
    fputc(',', out);
    csv_text(out, r->name);
    fputc(',', out);
    csv_text(out, r->file.name);
    fputc(',', out);
    csv_text(out, r->file.object_name);
    fprintf(out, ",%s,", word_of(WORD_ROLE, (int)r->file.role));
    csv_decimal(out, r->target_nm, 3);
    fputc(',', out);
    csv_decimal(out, r->reached_counts, 0);
    fputc(',', out);
    csv_decimal(out, r->settle_us, 3);
    fputc(',', out);
    csv_decimal(out, r->exposure_us, 6);
    fputc(',', out);
    csv_number(out, r->file.f_number);
    fputc(',', out);
    csv_number(out, r->file.iso);
    fputc(',', out);
    csv_utc(out, r->triggered_at_us);
    fputc(',', out);
    csv_utc(out, r->file.captured_wall_us);
    fprintf(out, ",%" PRId64 ",%s\r\n", r->file.bytes, r->file.sha256);
}

void record_write_csv(const struct record *rec, FILE *out)
{
    fputs("frame,slice,try,handed_over,why,reason,file,file_in_stack,file_before,role,position_um,reached_"
          "counts,"
          "settle_ms,exposure_s,f_number,iso,triggered_utc,captured,bytes,sha256\r\n",
          out);
    for (int32_t i = 0; i < rec->count; i++)
        csv_row(out, &rec->rows[i]);
}

static json_t *integer_or_null(int64_t v)
{
    return v == STACK_NONE ? json_null() : json_integer(v);
}

static json_t *text_or_null(const char *text)
{
    return *text ? json_text(text) : json_null();
}

static json_t *number_or_null(double v)
{
    return v > 0 ? json_number(v) : json_null();
}

static json_t *row_json(const struct record_row *r)
{
    const struct file_row *f = &r->file;
    json_t *o = json_object();
    json_object_set_new(o, "frame", r->frame < 0 ? json_null() : json_integer(r->frame));
    json_object_set_new(o, "slice", r->slice > 0 ? json_integer(r->slice) : json_null());
    json_object_set_new(o, "try", json_integer(r->attempt));
    json_object_set_new(o, "why", json_text(r->why));
    json_object_set_new(o, "reason", text_or_null(r->reason));
    json_object_set_new(o, "file", text_or_null(r->name));
    json_object_set_new(o, "file_in_stack", json_text(f->name));
    json_object_set_new(o, "file_before", text_or_null(f->object_name));
    json_object_set_new(o, "role", json_text(word_of(WORD_ROLE, (int)f->role)));
    json_object_set_new(o, "position_um", r->target_nm == STACK_NONE ? json_null() : json_um(r->target_nm));
    json_object_set_new(o, "reached_counts", integer_or_null(r->reached_counts));
    json_object_set_new(o, "settle_ms", r->settle_us == STACK_NONE ? json_null() : json_ms(r->settle_us));
    json_object_set_new(o, "exposure_s", r->exposure_us == STACK_NONE ? json_null() : json_s(r->exposure_us));
    json_object_set_new(o, "f_number", number_or_null(f->f_number));
    json_object_set_new(o, "iso", number_or_null(f->iso));
    json_object_set_new(o, "triggered_utc",
                        r->triggered_at_us == STACK_NONE ? json_null() : json_utc(r->triggered_at_us));
    json_object_set_new(o, "captured",
                        f->captured_wall_us == STACK_NONE ? json_null() : json_utc(f->captured_wall_us));
    json_object_set_new(o, "bytes", json_integer(f->bytes));
    json_object_set_new(o, "sha256", json_text(f->sha256));
    return o;
}

json_t *record_json(const struct record *rec)
{
    json_t *in = json_array(), *beside = json_array(), *out = json_array();
    for (int32_t i = 0; i < rec->count; i++) {
        const struct record_row *r = &rec->rows[i];
        json_array_append_new(!r->handed_over ? out : r->frame < 0 ? beside : in, row_json(r));
    }
    return json_pack("{s:o, s:o, s:o}", "frames", in, "references", beside, "left_out", out);
}
