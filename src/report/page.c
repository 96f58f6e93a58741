#include "report/page.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#include "base/units.h"
#include "report/sentence.h"

static void heading(struct html *h, const char *text)
{
    html_markup(h, "<section>\n<h2>");
    html_text(h, text);
    html_markup(h, "</h2>\n");
}

static void paragraph(struct html *h, const char *class, const char *text)
{
    html_markup(h, "<p class=\"");
    html_markup(h, class);
    html_markup(h, "\">");
    html_text(h, text);
    html_markup(h, "</p>\n");
}

void page_write_image(struct html *h, const struct drawing *p, const char *alt)
{
    html_number(h, "<img width=\"%d\" height=\"%d\" alt=\"", p->w, p->h);
    html_text(h, alt);
    html_markup(h, "\" src=\"data:image/png;base64,");
    html_base64(h, p->bytes, p->count);
    html_markup(h, "\">\n");
}

static void utc(int64_t wall_us, char out[40])
{
    const time_t seconds = (time_t)(wall_us / US_PER_S);
    struct tm tm;
    if (wall_us == STACK_NONE || !gmtime_r(&seconds, &tm))
        snprintf(out, 40, "at a time not told");
    else
        strftime(out, 40, "%Y-%m-%d %H:%M UTC", &tm);
}

static void write_top(const struct page_facts *f, struct html *h)
{
    char when[40];
    utc(f->info->created_wall_us, when);
    html_markup(h, PAGE_BEGINNING);
    html_markup(h, "<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
                   "<meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\n"
                   "<meta name=\"color-scheme\" content=\"light dark\">\n<title>");
    html_text(h, f->info->name);
    html_markup(h, " - what is sharp</title>\n<style>\n");
    html_markup(h, page_style);
    html_markup(h, "</style>\n</head>\n<body>\n<main>\n<header>\n<p class=\"over\">");
    html_text(h, f->info->kind == STACK_IMPORTED ? "Stack of imported frames"
                 : f->info->simulated            ? "Stack from the simulated bench"
                                                 : "Focus stack");
    html_markup(h, ", begun ");
    html_text(h, when);
    html_markup(h, "</p>\n<h1>");
    html_text(h, f->info->name);
    html_markup(h, "</h1>\n");
}

static void sum(struct html *h, const char *number, const char *words)
{
    html_markup(h, "<li><b>");
    html_text(h, number);
    html_markup(h, "</b>");
    html_text(h, words);
    html_markup(h, "</li>\n");
}

static int32_t slice_of(const struct page_facts *f, int32_t frame)
{
    return f->stack.rows[frame].slice;
}

static void write_verdict(const struct page_facts *f, struct html *h)
{
    static const char *const classes[] = {"verdict yes", "verdict almost", "verdict no", "verdict nothing"};
    const struct verdict *v = f->stack.verdict;
    char text[SENTENCE_ROOM], share[SHARE_ROOM];
    sentence_write(v, text);
    paragraph(h, classes[sentence_answer(v)], text);
    html_markup(h, "<ul class=\"sums\">\n");
    snprintf(text, sizeof text, "%d", v->frames);
    sum(h, text, "frames");
    if (v->useful_first >= 0) {
        snprintf(text, sizeof text, "%d to %d", slice_of(f, v->useful_first), slice_of(f, v->useful_last));
        sum(h, text, "slices needed");
        snprintf(text, sizeof text, "%d", v->unneeded.count);
        sum(h, text, "frames add nothing");
    }
    if (v->depth.known) {
        snprintf(text, sizeof text, "%.1f um", v->depth.deepest_um - v->depth.nearest_um);
        sum(h, text, "from the nearest to the deepest sharp part");
    }
    sentence_share(v->textured_fraction, 1, share);
    sum(h, share, "of the picture has texture to judge by");
    html_markup(h, "</ul>\n</header>\n");
}

static void write_places(const struct page_facts *f, struct html *h)
{
    const struct verdict *v = f->stack.verdict;
    if (!v->weakest_count) return;
    heading(h, v->weakest_count == 1 ? "The weakest place" : "The weakest places");
    paragraph(h, "small",
              "Each from its best frame, at 100 %. If these are sharp enough for you, so is the rest.");
    html_markup(h, "<div class=\"places\">\n");
    for (int32_t i = 0; i < v->weakest_count; i++) {
        const struct weak_place *k = &v->weakest[i];
        html_markup(h, "<figure>\n");
        if (f->places[i]) page_write_image(h, f->places[i], "the surroundings of a weak place at 100 %");
        html_number(h, "<figcaption><b>%d.</b> Slice %d, at %d, %d px: ", i + 1, slice_of(f, k->frame),
                    k->at_x_px, k->at_y_px);
        html_text(h, k->reason);
        html_markup(h, "</figcaption>\n</figure>\n");
    }
    html_markup(h, "</div>\n</section>\n");
}

/* A key's small drawing: a box with the hatching of the map. */
static void key(struct html *h, const char *drawing, const char *words, int32_t tiles, int32_t whole)
{
    char share[SHARE_ROOM];
    if (!tiles) return;
    sentence_share(tiles, whole, share);
    html_markup(h, "<li><svg width=\"22\" height=\"18\" viewBox=\"0 0 22 18\" aria-hidden=\"true\">"
                   "<rect x=\".5\" y=\".5\" width=\"21\" height=\"17\" fill=\"#d4d4d4\" stroke=\"#66707a\"/>"
                   "<path fill=\"none\" stroke=\"#c2185b\" stroke-width=\"2\" d=\"");
    html_markup(h, drawing);
    html_markup(h, "\"/></svg>");
    html_text(h, words);
    html_markup(h, ": ");
    html_text(h, share);
    html_markup(h, "</li>\n");
}

#define FALLING "M1 3l14 14M9 1l12 12M1 11l6 6M17 1l4 4"
#define RISING  "M1 7l6-6M1 15l14-14M7 17l14-14M15 17l6-6"

static void write_scale(const struct page_facts *f, struct html *h)
{
    const struct verdict *v = f->stack.verdict;
    if (v->useful_first < 0) return;
    html_number(h, "<li class=\"scale\"><span>sharp in slice %d</span>", slice_of(f, v->useful_first));
    html_markup(h, "<svg viewBox=\"0 0 32 1\" preserveAspectRatio=\"none\" aria-hidden=\"true\">");
    for (int i = 0; i < 32; i++) {
        const struct rgb c = palette_scale(i / 31.0);
        html_number(h, "<rect x=\"%d\" width=\"1.05\" height=\"1\" fill=\"#%06x\"/>", i, paper_word(c));
    }
    html_number(h, "</svg><span>slice %d</span></li>\n", slice_of(f, v->useful_last));
}

static void write_coverage(const struct page_facts *f, struct html *h)
{
    const struct verdict *v = f->stack.verdict;
    int32_t count[TILE_GAP + 1] = {0}, whole = 0;
    for (int32_t i = 0; i < v->rows * v->cols; i++) {
        count[v->tiles[i].state]++;
        whole += v->tiles[i].state != TILE_OUTSIDE;
    }
    heading(h, "Where it is sharp");
    html_markup(h, "<figure>\n");
    page_write_map(f, h);
    html_markup(h, "<ul class=\"key\">\n");
    write_scale(f, h);
    if (v->depth.known)
        html_number(h, "<li>nearest sharp part at %.1f um of the axis, deepest at %.1f um</li>\n",
                    v->depth.nearest_um, v->depth.deepest_um);
    key(h, FALLING, sentence_where(v, TILE_UNSHARP_BEFORE), count[TILE_UNSHARP_BEFORE], whole);
    key(h, FALLING RISING, sentence_where(v, TILE_GAP), count[TILE_GAP], whole);
    key(h, RISING, sentence_where(v, TILE_UNSHARP_AFTER), count[TILE_UNSHARP_AFTER], whole);
    key(h, "M10 9h2", sentence_where(v, TILE_NO_TEXTURE), count[TILE_NO_TEXTURE], whole);
    html_markup(h, "</ul>\n<figcaption>Numbers on the tint are slices; the rings 1, 2, 3 are the weakest "
                   "places.</figcaption>\n"
                   "</figure>\n");
    page_write_answers(f, h);
    html_markup(h, "</section>\n");
}

static void figure(struct html *h, const struct drawing *p, const char *alt, const char *caption)
{
    html_markup(h, "<figure>\n<div class=\"wide\">\n");
    page_write_image(h, p, alt);
    html_markup(h, "</div>\n<figcaption>");
    html_text(h, caption);
    html_markup(h, "</figcaption>\n</figure>\n");
}

static void write_ridge(const struct page_facts *f, struct html *h)
{
    heading(h, "How sharp each depth is");
    figure(h, f->ridge, "sharpness by depth and slice",
           "Slices go to the right, the subject's depth goes down. Along the ridge each depth is in focus; "
           "where something lies and nothing is dark, a slice is missing.");
    html_markup(h, "</section>\n");
}

static void write_frame(const struct page_facts *f, struct html *h)
{
    const struct verdict *v = f->stack.verdict;
    char caption[160];
    int32_t tiles;
    const int32_t frame = pictures_richest(v, &tiles);
    snprintf(
        caption, sizeof caption,
        "Slice %d as it was shot, and what it gives: %.1f %% of the picture is sharpest there; the rest, "
        "paled, comes from other slices.",
        slice_of(f, frame), 100.0 * tiles / (v->rows * v->cols));
    heading(h, "One frame");
    figure(h, f->frame, "one frame as it was shot, and the parts of it that are sharpest there", caption);
    if (f->retake)
        figure(
            h, f->retake, "a frame before and after it was taken again",
            "A slice before and after it was taken again, the same place at 100 %. Both are in the stack.");
    html_markup(h, "</section>\n");
}

static void write_spots(const struct page_facts *f, struct html *h)
{
    if (!f->spots) return;
    heading(h, "On the sensor");
    figure(h, f->spots, "where dust and hot pixels sit on the sensor",
           "These stay put while the subject moves and goes out of focus: a merged picture shows them as "
           "trails.");
    html_markup(h, "</section>\n");
}

static void write_findings(const struct page_facts *f, struct html *h)
{
    const struct finding_list *list = &f->stack.verdict->findings;
    heading(h, "What to do");
    if (!list->count) paragraph(h, "none", "Nothing: the check found no fault in this stack.");
    html_markup(h, list->count ? "<ul class=\"findings\">\n" : "");
    for (int pass = 0; pass < 2; pass++)
        for (int32_t i = 0; i < list->count; i++) {
            const struct finding *n = &list->rows[i];
            if (n->grave != (pass == 0)) continue;
            html_markup(h, n->grave
                               ? "<li class=\"grave\"><span class=\"tag\">before you touch the set</span>\n"
                               : "<li><span class=\"tag\">to know</span>\n");
            paragraph(h, "what", n->text);
            if (n->advice[0]) paragraph(h, "advice", n->advice);
            html_markup(h, "</li>\n");
        }
    html_markup(h, list->count ? "</ul>\n</section>\n" : "</section>\n");
}

static void write_rows(const struct page_facts *f, struct html *h)
{
    if (!f->row_count) return;
    heading(h, "Planned and shot");
    html_markup(h, "<table>\n<thead><tr><th></th><th>planned</th><th>shot</th></tr></thead>\n<tbody>\n");
    for (int32_t i = 0; i < f->row_count; i++) {
        html_markup(h, "<tr><th scope=\"row\">");
        html_text(h, f->rows[i].what);
        html_markup(h, "</th><td>");
        html_text(h, f->rows[i].planned);
        html_markup(h, "</td><td>");
        html_text(h, f->rows[i].shot);
        html_markup(h, "</td></tr>\n");
    }
    html_markup(h, "</tbody>\n</table>\n</section>\n");
}

/* Brightness of each frame against the first, in stops. */
static double stops(const struct page_facts *f, int32_t frame)
{
    const double first = (double)f->stack.measures[0].mean_linear,
                 now = (double)f->stack.measures[frame].mean_linear;
    return first > 0 && now > 0 ? log2(now / first) : 0;
}

#define CHART_W 960
#define CHART_H 180

static void write_chart(const struct page_facts *f, struct html *h)
{
    const int32_t frames = f->stack.verdict->frames;
    double most = 0.1;
    for (int32_t i = 0; i < frames; i++)
        most = fmax(most, fabs(stops(f, i)));
    most = ceil(most * 10) / 10;
    const double left = 56, w = CHART_W - left - 8, middle = CHART_H / 2.0, tall = CHART_H / 2.0 - 26;
    html_number(
        h, "<svg class=\"chart\" viewBox=\"0 0 %d %d\" role=\"img\" aria-label=\"brightness by frame\">\n",
        CHART_W, CHART_H);
    for (int k = -1; k <= 1; k++) {
        const double y = middle - k * tall;
        html_number(h, "<path d=\"M%.0f %.1fH%d\" stroke=\"currentColor\" stroke-opacity=\"%.2f\"/>\n", left,
                    y, CHART_W - 8, k ? 0.15 : 0.4);
        html_number(h, "<text x=\"%.0f\" y=\"%.1f\" text-anchor=\"end\">%+.1f</text>\n", left - 8, y + 4,
                    k * most);
    }
    html_markup(h, "<polyline fill=\"none\" stroke=\"currentColor\" stroke-width=\"2\" points=\"");
    for (int32_t i = 0; i < frames; i++)
        html_number(h, "%.1f,%.1f ", left + (frames > 1 ? w * i / (frames - 1) : w / 2),
                    middle - tall * stops(f, i) / most);
    html_number(h, "\"/>\n<text x=\"%.0f\" y=\"%d\">slice %d</text>\n", left, CHART_H - 4, slice_of(f, 0));
    html_number(h, "<text x=\"%d\" y=\"%d\" text-anchor=\"end\">slice %d</text>\n</svg>\n", CHART_W - 8,
                CHART_H - 4, slice_of(f, frames - 1));
}

static void write_light(const struct page_facts *f, struct html *h)
{
    const struct light_verdict *l = &f->stack.verdict->light;
    heading(h, "Light");
    html_number(
        h, "<p>From frame to frame it scatters by %.3f stops; over the whole stack it drifts by %+.3f stops.",
        l->scatter_stops, l->slope_stops);
    for (int32_t i = 0; i < l->jump_count; i++)
        html_number(h, " It jumps at slice %d.", slice_of(f, l->jumps[i]));
    html_markup(h, "</p>\n<figure>\n");
    write_chart(f, h);
    html_markup(
        h,
        "<figcaption>Brightness of each frame in stops, against the first. Part of it is the picture itself: "
        "it changes as the focus moves.</figcaption>\n</figure>\n</section>\n");
}

static void write_contact(const struct page_facts *f, struct html *h)
{
    heading(h, "All frames");
    figure(
        h, f->contact, "every frame small, with its number",
        "The line under a frame has its colour on the map; frames without colour are not needed, or margin.");
    html_markup(h, "</section>\n");
}

static void write_file(struct html *h, const char *what, const char *text)
{
    if (!text || !text[0]) return;
    html_markup(h, "<details>\n<summary>");
    html_text(h, what);
    html_markup(h, "</summary>\n<pre>");
    html_text(h, text);
    html_markup(h, "</pre>\n</details>\n");
}

static void write_record(const struct page_facts *f, struct html *h)
{
    heading(h, "Record");
    html_markup(h, "<dl>\n");
    for (int32_t i = 0; i < f->note_count; i++) {
        html_markup(h, "<dt>");
        html_text(h, f->notes[i].what);
        html_markup(h, "</dt><dd>");
        html_text(h, f->notes[i].text);
        html_markup(h, "</dd>\n");
    }
    html_markup(h, "</dl>\n");
    write_file(h, "The job file, as it was", f->info->job_text);
    write_file(h, "The bench file, as it was", f->info->bench_text);
    html_markup(h, "</section>\n</main>\n</body>\n</html>\n");
}

int page_write(const struct page_facts *f, struct html *h)
{
    write_top(f, h);
    write_verdict(f, h);
    write_places(f, h);
    write_coverage(f, h);
    write_findings(f, h);
    write_ridge(f, h);
    write_frame(f, h);
    write_spots(f, h);
    write_rows(f, h);
    write_light(f, h);
    write_contact(f, h);
    write_record(f, h);
    return h->rc;
}
