/* The report page: well formed, complete in itself, and safe whatever a stack is called. The checker here is
 * small and strict: every element closed in order, every attribute quoted, no reference out, every picture
 * decodes (libpng). */
#include "tests/support/test.h"

#include <ctype.h>
#include <nettle/base64.h>
#include <png.h>

#include "base/mem.h"
#include "report/page.h"
#include "report/sentence.h"
#include "tests/support/made_up.h"

#define DEEP 64

struct scan {
    char open[DEEP][16];
    int depth, pictures, elements, scripts;
    char wrong[160]; /* the first fault */
};

static void wrong(struct scan *s, const char *what, const char *at)
{
    if (!s->wrong[0]) snprintf(s->wrong, sizeof s->wrong, "%s at: %.80s", what, at);
}

static bool is_void(const char *name)
{
    return !strcmp(name, "meta") || !strcmp(name, "img") || !strcmp(name, "br");
}

/* The picture of an img must decode, have the size that the page says, and show something. */
static void check_picture(struct scan *s, const char *data, size_t length, long w, long h)
{
    struct base64_decode_ctx ctx;
    png_image image = {.version = PNG_IMAGE_VERSION};
    size_t count = BASE64_DECODE_LENGTH(length);
    uint8_t *bytes = malloc(count + 1);
    base64_decode_init(&ctx);
    if (!base64_decode_update(&ctx, &count, bytes, length, data) || !base64_decode_final(&ctx) ||
        !png_image_begin_read_from_memory(&image, bytes, count)) {
        wrong(s, "no picture", data);
        free(bytes);
        return;
    }
    image.format = PNG_FORMAT_GRAY;
    uint8_t *gray = malloc(PNG_IMAGE_SIZE(image)), least = 255, most = 0;
    if (!png_image_finish_read(&image, NULL, gray, 0, NULL)) wrong(s, "a damaged picture", data);
    for (size_t i = 0; i < PNG_IMAGE_SIZE(image); i++) {
        least = gray[i] < least ? gray[i] : least;
        most = gray[i] > most ? gray[i] : most;
    }
    if ((long)image.width != w || (long)image.height != h) wrong(s, "a picture of another size", data);
    if (most - least < 20) wrong(s, "a blank picture", data);
    s->pictures++;
    free(gray);
    free(bytes);
}

/* One start tag after its name; returns behind its '>'. */
static const char *check_attributes(struct scan *s, const char *name, const char *p, bool *closed)
{
    long w = 0, h = 0;
    const char *data = NULL;
    size_t data_length = 0;
    *closed = false;
    for (;;) {
        while (isspace((unsigned char)*p))
            p++;
        if (*p == '>') break;
        if (p[0] == '/' && p[1] == '>') {
            *closed = true;
            p++;
            break;
        }
        const char *key = p;
        while (islower((unsigned char)*p) || *p == '-' || *p == 'B' || *p == 'R' ||
               *p == 'A') /* viewBox and the like */
            p++;
        const size_t n = (size_t)(p - key);
        if (!n || p[0] != '=' || p[1] != '"') {
            wrong(s, "an attribute without quotes", key);
            return p + strlen(p);
        }
        const char *value = p + 2, *end = strchr(value, '"');
        if (!end || memchr(value, '<', (size_t)(end - value))) {
            wrong(s, "an attribute that does not end", key);
            return p + strlen(p);
        }
        if (!strncmp(key, "on", 2)) wrong(s, "a handler", key);
        if (n == 4 && !strncmp(key, "href", 4)) wrong(s, "a link", key);
        if (n == 3 && !strncmp(key, "src", 3)) {
            static const char kind[] = "data:image/png;base64,";
            if (strncmp(value, kind, sizeof kind - 1)) {
                wrong(s, "a picture from outside", key);
            } else {
                data = value + sizeof kind - 1;
                data_length = (size_t)(end - data);
            }
        }
        if (n == 5 && !strncmp(key, "width", 5)) w = strtol(value, NULL, 10);
        if (n == 6 && !strncmp(key, "height", 6)) h = strtol(value, NULL, 10);
        p = end + 1;
    }
    if (!strcmp(name, "img")) {
        if (data)
            check_picture(s, data, data_length, w, h);
        else
            wrong(s, "an img without a picture", name);
    }
    return p + 1;
}

static const char *check_tag(struct scan *s, const char *p)
{
    char name[16] = "";
    const bool end = p[1] == '/';
    const char *from = p + 1 + end;
    size_t n = 0;
    while (n < sizeof name - 1 && (islower((unsigned char)from[n]) || isdigit((unsigned char)from[n])))
        n++;
    memcpy(name, from, n);
    if (!n) {
        wrong(s, "a bare <", p);
        return p + 1;
    }
    if (!strncmp(p, "<script>\n", 9) && !strncmp(p + 9, page_script, strlen(page_script))) {
        s->scripts++; /* ours, and not a byte more */
        p += 9 + strlen(page_script);
        if (strncmp(p, "</script>", 9)) wrong(s, "a script that goes on", p);
        return p + 9;
    }
    if (!strcmp(name, "script") || !strcmp(name, "link") || !strcmp(name, "iframe"))
        wrong(s, "an element that may not be", p);
    if (end) {
        if (from[n] != '>' || !s->depth || strcmp(s->open[s->depth - 1], name))
            wrong(s, "an end without its beginning", p);
        if (s->depth) s->depth--;
        return from + n + (from[n] == '>');
    }
    bool closed;
    p = check_attributes(s, name, from + n, &closed);
    s->elements++;
    if (closed || is_void(name)) return p;
    if (s->depth == DEEP)
        wrong(s, "too deep", name);
    else
        memcpy(s->open[s->depth++], name, sizeof name);
    return p;
}

static const char *check_entity(struct scan *s, const char *p)
{
    static const char *const known[] = {"&amp;", "&lt;", "&gt;", "&quot;", "&#39;"};
    for (size_t i = 0; i < sizeof known / sizeof *known; i++)
        if (!strncmp(p, known[i], strlen(known[i]))) return p + strlen(known[i]);
    wrong(s, "a bare &", p);
    return p + 1;
}

static struct scan scan_page(const char *page)
{
    struct scan s = {0};
    const char *p = page + strlen("<!DOCTYPE html>\n<!-- stack report written by staddle -->\n");
    if (strncmp(page, PAGE_BEGINNING, (size_t)(p - page))) wrong(&s, "another beginning", page);
    if (strstr(page, "http:") || strstr(page, "https:") || strstr(page, "url(") || strstr(page, "@import"))
        wrong(&s, "a reference out", page);
    while (*p) {
        if (*p == '<')
            p = check_tag(&s, p);
        else if (*p == '&')
            p = check_entity(&s, p);
        else if ((unsigned char)*p < 0x20 && *p != '\n' && *p != '\t')
            wrong(&s, "a control character", p), p++;
        else
            p++;
    }
    if (s.depth) wrong(&s, "an element that is never closed", s.open[s.depth - 1]);
    return s;
}

static char *page_with(struct made_up *m, const struct where_map *map, const char *const *handed)
{
    struct err why = {0};
    struct drawing coverage, explained, ridge, frame, contact, places[3] = {0};
    struct html h = {.why = &why};
    const struct pictures_of of = made_up_pictures(m);
    const int32_t w = m->measures[0].width_px, t = m->measures[0].height_px;
    uint8_t *rgb = malloc((size_t)(3 * w * t));
    for (int32_t i = 0; i < 3 * w * t; i++)
        rgb[i] = (uint8_t)(i * 7 % 251);
    assert_int_equal(pictures_coverage(&of, &coverage, &explained, &why), 0);
    assert_int_equal(pictures_ridge(&of, &ridge, &why), 0);
    assert_int_equal(pictures_frame(&of, 3, 10, &(struct image_rgb){w, t, rgb}, &frame, &why), 0);
    assert_int_equal(pictures_contact(&of, &contact, &why), 0);
    for (int i = 0; i < m->verdict.weakest_count; i++)
        assert_int_equal(pictures_place(&of, i, rgb, w, t, &places[i], &why), 0);
    const struct page_row rows[] = {{"slices", "20", "20"}, {"<i>\"retakes\"", "", "1 & more"}};
    const struct page_note notes[] = {{"seed", "7"}};
    const struct page_facts f = {.info = &m->info,
                                 .stack = of,
                                 .coverage = &coverage,
                                 .ridge = &ridge,
                                 .frame = &frame,
                                 .contact = &contact,
                                 .places = {&places[0], &places[1], &places[2]},
                                 .rows = rows,
                                 .row_count = 2,
                                 .notes = notes,
                                 .note_count = 1,
                                 .map = map,
                                 .handed = handed};
    assert_int_equal(page_write(&f, &h), 0);
    drawing_clear(&coverage);
    drawing_clear(&ridge);
    drawing_clear(&frame);
    drawing_clear(&contact);
    drawing_clear(&explained);
    for (int i = 0; i < 3; i++)
        drawing_clear(&places[i]);
    free(rgb);
    return h.bytes;
}

static char *page_of(struct made_up *m)
{
    return page_with(m, NULL, NULL);
}

static void page_is_whole_and_needs_nothing_else(void **state)
{
    (void)state;
    for (int faults = 0; faults < 2; faults++) {
        struct made_up *m = made_up_stack(20, 600, 400, faults);
        char *page = page_of(m);
        const struct scan s = scan_page(page);
        assert_string_equal(s.wrong, "");
        assert_int_equal(s.pictures, faults ? 7 : 4);
        assert_int_equal(s.scripts, 0);
        assert_true(s.elements > 60);
        assert_non_null(strstr(page, "prefers-color-scheme:dark"));
        assert_non_null(strstr(page, "@media print"));
        assert_non_null(strstr(page, "name=\"viewport\""));
        mem_free(page);
        made_up_free(m);
    }
}

static void hostile_names_stay_text(void **state)
{
    (void)state;
    static const char hostile[] = "</title><script>alert(1)</script>\" onload='x' &lt;\x01\xC3\x28\xFF";
    struct made_up *m = made_up_stack(20, 600, 400, true);
    snprintf(m->info.name, sizeof m->info.name, "%s", hostile);
    m->info.job_text = (char *)(uintptr_t) "</pre><script src=http:x>";
    snprintf(m->verdict.findings.rows[0].text, 256, "%s", hostile);
    snprintf(m->verdict.findings.rows[0].advice, 256, "<img src=x onerror=y>");
    snprintf(m->verdict.weakest[0].reason, 96, "%s", hostile);
    char *page = page_of(m);
    assert_null(strstr(page, "<script"));
    assert_null(strstr(page, "<img src=x"));
    assert_non_null(strstr(page, "&lt;script&gt;alert(1)"));
    for (char *p; (p = strstr(page, "http:"));) /* as text it may stand there */
        memcpy(p, "text:", 5);
    assert_string_equal(scan_page(page).wrong, "");
    mem_free(page);
    made_up_free(m);
}

/* A line for each frame and each tile; the script is ours to the byte, and names stay text. */
static void a_click_is_answered_from_the_page_itself(void **state)
{
    (void)state;
    enum { FRAMES = 20 };
    struct made_up *m = made_up_stack(FRAMES, 600, 400, true);
    const struct verdict *v = &m->verdict;
    const size_t tiles = (size_t)(v->rows * v->cols);
    struct where_map map = {.frames = FRAMES,
                            .rows = v->rows,
                            .cols = v->cols,
                            .tile_px = v->tile_px,
                            .width_px = 600,
                            .height_px = 400};
    const char *handed[FRAMES];
    map.place = calloc(FRAMES, sizeof *map.place);
    map.tiles = calloc(tiles, sizeof *map.tiles);
    for (int i = 0; i < FRAMES; i++) {
        map.place[i] = (struct frame_place){1.25, -3, 0.5};
        handed[i] = i ? "\"><script>alert(1)</script>" : "";
        m->rows[i].target_nm = i ? STACK_NONE : 1234567;
    }
    map.tiles[1] = (struct where_tile){
        .count = 3, .frame = {7, 6, 9}, .sharpness = {1, 0.954, 0.5}, .peak = 0, .others = 1, .other = {15}};
    char *page = page_with(m, &map, handed);
    const struct scan s = scan_page(page);
    assert_string_equal(s.wrong, "");
    assert_int_equal(s.scripts, 1);
    assert_non_null(strstr(page, ">\n\n7 100 6 95 9 50;15;"));
    assert_non_null(strstr(page, "data-scale=\"1.250000000\" data-dx=\"-3.000000\" data-dy=\"0.500000\" "
                                 "data-mm=\"1.235\" data-handed=\"\">"));
    char *other = strstr(page, page_script); /* another script there is none of ours */
    other[10] ^= 1;
    assert_string_not_equal(scan_page(page).wrong, "");
    mem_free(page);
    free(map.place);
    free(map.tiles);
    made_up_free(m);
}

/* The checker itself: each of these pages has one fault, and is refused. */
static void checker_finds_planted_faults(void **state)
{
    (void)state;
    static const char *const bad[] = {
        "<p>text",
        "<p>text</p></p>",
        "<b><i>text</b></i>",
        "<p class=x>text</p>",
        "<p>a & b</p>",
        "<p>1 < 2</p>",
        "<script>x</script>",
        "<img width=\"1\" height=\"1\" src=\"picture.png\">",
        "<img width=\"1\" height=\"1\" src=\"data:image/png;base64,AAAA\">",
        "<p onclick=\"x\">text</p>",
        "<p style=\"background:url(x)\">text</p>",
        "<a href=\"x\">text</a>",
    };
    char page[400];
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        snprintf(page, sizeof page, "%s%s", PAGE_BEGINNING, bad[i]);
        assert_string_not_equal(scan_page(page).wrong, "");
    }
    snprintf(page, sizeof page, "%s<p>text</p>", PAGE_BEGINNING);
    assert_string_equal(scan_page(page).wrong, "");
}

/* RFC 4648, section 10. */
static void base64_matches_the_standard_vectors(void **state)
{
    (void)state;
    static const char *const in[] = {"f", "fo", "foo", "foob", "fooba", "foobar"};
    static const char *const out[] = {"Zg==", "Zm8=", "Zm9v", "Zm9vYg==", "Zm9vYmE=", "Zm9vYmFy"};
    for (int i = 0; i < 6; i++) {
        struct html h = {0};
        html_base64(&h, (const uint8_t *)in[i], strlen(in[i]));
        assert_string_equal(h.bytes, out[i]);
        html_clear(&h);
    }
}

/* RFC 3629: overlong forms, surrogates and what lies beyond U+10FFFF are no UTF-8. */
static void text_lets_only_utf8_through(void **state)
{
    (void)state;
    static const struct {
        const char *in, *out;
    } rows[] = {
        {"a<b>&\"'", "a&lt;b&gt;&amp;&quot;&#39;"},
        {"\xC3\xA9\xE2\x82\xAC\xF0\x9D\x84\x9E", "\xC3\xA9\xE2\x82\xAC\xF0\x9D\x84\x9E"},
        {"\xC0\xBC", "\xEF\xBF\xBD\xEF\xBF\xBD"},
        {"\xED\xA0\x80", "\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD"},
        {"\xF4\x90\x80\x80", "\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD"},
        {"\xE2\x82", "\xEF\xBF\xBD\xEF\xBF\xBD"},
        {"x\x01y\x7F", "x\xEF\xBF\xBDy\xEF\xBF\xBD"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct html h = {0};
        html_text(&h, rows[i].in);
        assert_string_equal(h.bytes, rows[i].out);
        html_clear(&h);
    }
}

static void sentence_says_yes_only_when_all_is_sharp(void **state)
{
    (void)state;
    char text[SENTENCE_ROOM];
    struct made_up *m = made_up_stack(20, 600, 400, false);
    sentence_write(&m->verdict, text);
    assert_int_equal(sentence_answer(&m->verdict), ANSWER_YES);
    assert_string_equal(text, "Yes: every textured part of the subject is sharp in some frame.");

    m->verdict.tiles[500].state = TILE_UNSHARP_AFTER; /* one tile of some thousand */
    sentence_write(&m->verdict, text);
    assert_int_equal(sentence_answer(&m->verdict), ANSWER_ALMOST);
    assert_non_null(strstr(text, "over 99.9 %"));
    assert_non_null(strstr(text, "under 0.1 % lies beyond the last frame"));
    m->verdict.order = ORDER_FAR_FIRST; /* then the last frame is the nearest */
    sentence_write(&m->verdict, text);
    assert_non_null(strstr(text, "lies nearer than the last frame"));
    made_up_free(m);

    m = made_up_stack(20, 600, 400, true);
    sentence_write(&m->verdict, text);
    assert_int_equal(sentence_answer(&m->verdict), ANSWER_NO);
    assert_memory_equal(text, "No: ", 4);
    for (int32_t i = 0; i < m->verdict.rows * m->verdict.cols; i++)
        m->verdict.tiles[i].state = TILE_NO_TEXTURE;
    assert_int_equal(sentence_answer(&m->verdict), ANSWER_NOTHING);
    made_up_free(m);
}

static void failing_memory_ends_the_page_with_a_reason(void **state)
{
    (void)state;
    struct err why = {0};
    struct html h = {.why = &why};
    mem_fail_at(1);
    html_markup(&h, "x");
    html_text(&h, "y");
    mem_fail_at(0);
    assert_int_equal(h.rc, E_NOMEM);
    assert_true(why.text[0]);
    html_clear(&h);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(page_is_whole_and_needs_nothing_else),
        cmocka_unit_test(hostile_names_stay_text),
        cmocka_unit_test(a_click_is_answered_from_the_page_itself),
        cmocka_unit_test(checker_finds_planted_faults),
        cmocka_unit_test(base64_matches_the_standard_vectors),
        cmocka_unit_test(text_lets_only_utf8_through),
        cmocka_unit_test(sentence_says_yes_only_when_all_is_sharp),
        cmocka_unit_test(failing_memory_ends_the_page_with_a_reason),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
