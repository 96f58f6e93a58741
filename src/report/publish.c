#include "report/publish.h"

#include <stdio.h>
#include <string.h>

#include "base/fs.h"
#include "base/mem.h"
#include "image/decode.h"
#include "report/facts.h"
#include "report/locate.h"
#include "report/page.h"
#include "report/shown.h"

#define FILE_BYTES_MOST ((size_t)1 << 31)

struct works {
    struct drawing explained, coverage, ridge, frame, retake, contact, spots, places[3];
    struct html page;
};

static void works_clear(struct works *w)
{
    drawing_clear(&w->explained);
    drawing_clear(&w->coverage);
    drawing_clear(&w->ridge);
    drawing_clear(&w->frame);
    drawing_clear(&w->retake);
    drawing_clear(&w->contact);
    drawing_clear(&w->spots);
    for (int i = 0; i < 3; i++)
        drawing_clear(&w->places[i]);
    html_clear(&w->page);
}

static int decode(struct store *store, const char *name, int32_t most_px, struct image_rgb *out,
                  struct err *why)
{
    char path[PATH_ROOM];
    uint8_t *bytes;
    size_t count;
    int rc = store_frame_path(store, name, path, sizeof path, why);
    if (!rc) rc = fs_read(path, FILE_BYTES_MOST, &bytes, &count, why);
    if (rc) return rc;
    rc = image_decode_rgb(name, bytes, count, most_px, out, why);
    mem_free(bytes);
    return rc;
}

static int draw_place(struct store *store, const struct pictures_of *of, int which, struct drawing *out,
                      struct err *why)
{
    struct image_rgb image;
    int rc = decode(store, of->rows[of->verdict->weakest[which].frame].files[0].name, 0, &image, why);
    if (rc) return rc;
    rc = pictures_place(of, which, image.rgb, image.width_px, image.height_px, out, why);
    image_rgb_clear(&image);
    return rc;
}

static int draw_frame(struct store *store, const struct pictures_of *of, struct drawing *out, struct err *why)
{
    struct image_rgb small;
    int32_t tiles;
    const int32_t frame = pictures_richest(of->verdict, &tiles);
    int rc = decode(store, of->rows[frame].files[0].name, FRAME_WIDTH, &small, why);
    if (rc) return rc;
    rc = pictures_frame(of, frame, tiles, &small, out, why);
    image_rgb_clear(&small);
    return rc;
}

/* The try before the kept one of a slice, of the first slice that has one with a picture left. */
struct retake {
    int32_t frame; /* -1: none */
    char name[256], reason[128];
};

static int find_picture(struct store *store, const struct exposure_row *e, int32_t frame, struct retake *out,
                        struct err *why)
{
    struct file_row *files;
    int32_t count;
    int rc = store_files(store, e->id, &files, &count, why);
    if (rc) return rc;
    for (int32_t i = 0; i < count && out->frame < 0; i++) {
        if (!store_picture_by_name(files[i].name)) continue;
        out->frame = frame;
        snprintf(out->name, sizeof out->name, "%s", files[i].name);
        snprintf(out->reason, sizeof out->reason, "%s", e->reason);
    }
    mem_free(files);
    return E_OK;
}

static int find_retake(struct store *store, const struct pictures_of *of, struct retake *out, struct err *why)
{
    struct exposure_row *rows;
    int32_t count;
    *out = (struct retake){.frame = -1};
    int rc = store_exposures(store, &rows, &count, why);
    if (rc) return rc;
    for (int32_t i = 0; !rc && i < of->verdict->frames; i++)
        for (int32_t k = 0; !rc && out->frame < 0 && of->rows[i].attempt > 1 && k < count; k++) {
            const struct exposure_row *e = &rows[k];
            if (e->state == EXPOSURE_FAILED && e->purpose == PURPOSE_STACK && e->slice == of->rows[i].slice &&
                e->plan_id == of->rows[i].plan_id)
                rc = find_picture(store, e, i, out, why);
        }
    mem_free(rows);
    return rc;
}

/* Nothing is drawn, and nothing is wrong, where the try before cannot be shown. */
static int draw_retake(struct store *store, const struct pictures_of *of, struct drawing *out,
                       struct err *why)
{
    struct retake t;
    struct image_rgb before, after;
    int rc = find_retake(store, of, &t, why);
    if (rc || t.frame < 0) return rc;
    if ((rc = decode(store, t.name, 0, &before, why))) return rc == E_NOMEM ? rc : E_OK;
    rc = decode(store, of->rows[t.frame].files[0].name, 0, &after, why);
    if (!rc) {
        rc = pictures_retake(of, t.frame, t.reason, &before, &after, out, why);
        image_rgb_clear(&after);
    }
    image_rgb_clear(&before);
    return rc == E_INPUT ? E_OK : rc;
}

static int draw(struct store *store, const struct pictures_of *of, struct works *w, struct err *why)
{
    int rc = pictures_coverage(of, &w->coverage, &w->explained, why);
    if (!rc) rc = pictures_ridge(of, &w->ridge, why);
    if (!rc) rc = pictures_contact(of, &w->contact, why);
    if (!rc) rc = pictures_spots(of, &w->spots, why);
    mem_give_back();
    if (!rc) rc = draw_frame(store, of, &w->frame, why);
    if (!rc) rc = draw_retake(store, of, &w->retake, why);
    for (int i = 0; i < of->verdict->weakest_count && !rc; i++)
        rc = draw_place(store, of, i, &w->places[i], why);
    return rc;
}

static int write_page_of(struct store *store, const struct judgement *j, const char *version,
                         const struct pictures_of *of, const struct page_facts *where, struct works *w,
                         struct err *why)
{
    struct facts facts;
    int rc = facts_gather(store, j, version, &facts, why);
    if (rc) return rc;
    const struct page_facts f = {.info = &j->info,
                                 .stack = *of,
                                 .coverage = &w->coverage,
                                 .ridge = &w->ridge,
                                 .frame = &w->frame,
                                 .retake = w->retake.count ? &w->retake : NULL,
                                 .spots = w->spots.count ? &w->spots : NULL,
                                 .contact = &w->contact,
                                 .places = {&w->places[0], &w->places[1], &w->places[2]},
                                 .rows = facts.rows,
                                 .row_count = facts.row_count,
                                 .notes = facts.notes,
                                 .note_count = facts.note_count,
                                 .map = where->map,
                                 .handed = where->handed};
    w->page.why = why;
    return page_write(&f, &w->page);
}

static int write_page(struct store *store, const struct judgement *j, const char *version,
                      const struct pictures_of *of, struct works *w, struct err *why)
{
    struct locate located = {0};
    int rc = locate_new(store, j, &located, why);
    const char **handed = rc ? NULL : mem_new((size_t)j->frames, sizeof *handed, why);
    for (int32_t i = 0; handed && i < j->frames; i++)
        handed[i] = locate_handed_name(&located, j, i);
    const struct page_facts where = {.map = &located.map, .handed = handed};
    if (!rc) rc = handed ? write_page_of(store, j, version, of, &where, w, why) : E_NOMEM;
    mem_free(handed);
    locate_clear(&located);
    return rc;
}

/* A page may take the place of an older page, and of nothing else. */
static int may_write_page(const char *path, struct err *why)
{
    char head[sizeof PAGE_BEGINNING] = "";
    if (!fs_exists(path)) return E_OK;
    FILE *f = fopen(path, "rbe");
    const size_t n = f ? fread(head, 1, sizeof head - 1, f) : 0;
    if (f) fclose(f);
    if (n == sizeof head - 1 && !strcmp(head, PAGE_BEGINNING)) return E_OK;
    return fail(why, E_INPUT, "%s: exists and is no report page; choose another name", path);
}

static int put_page(const char *path, const struct html *page, struct err *why)
{
    char dir[PATH_ROOM];
    const char *slash = strrchr(path, '/');
    if (!slash) return fs_replace(".", path, page->bytes, page->count, why);
    snprintf(dir, sizeof dir, "%.*s", slash == path ? 1 : (int)(slash - path), path);
    return fs_replace(dir, slash + 1, page->bytes, page->count, why);
}

static int put_all(struct store *store, const struct works *w, int32_t places, struct err *why)
{
    char name[32];
    int rc = store_derived_put(store, PUBLISH_COVERAGE, w->explained.bytes, w->explained.count, why);
    if (!rc) rc = store_derived_put(store, PUBLISH_RIDGE, w->ridge.bytes, w->ridge.count, why);
    if (!rc) rc = store_derived_put(store, PUBLISH_FRAME, w->frame.bytes, w->frame.count, why);
    if (!rc && w->retake.count)
        rc = store_derived_put(store, PUBLISH_RETAKE, w->retake.bytes, w->retake.count, why);
    if (!rc) rc = store_derived_put(store, PUBLISH_CONTACT, w->contact.bytes, w->contact.count, why);
    if (!rc && w->spots.bytes)
        rc = store_derived_put(store, PUBLISH_SPOTS, w->spots.bytes, w->spots.count, why);
    for (int i = 0; i < places && !rc; i++) {
        snprintf(name, sizeof name, PUBLISH_PLACE, i + 1);
        rc = store_derived_put(store, name, w->places[i].bytes, w->places[i].count, why);
    }
    return rc ? rc : store_derived_put(store, PUBLISH_PAGE, w->page.bytes, w->page.count, why);
}

int publish(struct store *store, const struct judgement *j, const char *version, const char *page_path,
            struct err *why)
{
    struct works w = {0};
    struct shown shown = {0};
    int rc = page_path ? may_write_page(page_path, why) : E_OK;
    if (!rc) rc = shown_new(j, &shown, why);
    if (!rc) rc = draw(store, &shown.of, &w, why);
    if (!rc) rc = write_page(store, j, version, &shown.of, &w, why);
    if (!rc) rc = put_all(store, &w, j->verdict.weakest_count, why);
    if (!rc && page_path) rc = put_page(page_path, &w.page, why);
    works_clear(&w);
    shown_clear(&shown);
    return rc;
}
