/* The map of the report page answers a click, or the arrow keys: in which files is this place sharpest?
 *
 * Everything that is said comes from check/where.h's table, which `staddle where` prints from, too: a line
 * for each frame with its names, position, and where the first frame's picture lies in it; a line for each
 * tile with its frames. They are text of the page, hidden, so nothing from outside ever reaches the script as
 * code, and the script puts text in as text. It works from a file, with no library and no network. */
#include <math.h>

#include "base/units.h"
#include "report/page.h"

/* Names are the ids below. place() is where_in, tileAt() is where_at. */
const char page_script[] =
    "(function () {\n"
    "  'use strict';\n"
    "  var id = function (name) { return document.getElementById(name); };\n"
    "  var map = id('map'), table = id('tiles'), answer = id('answer'), spot = id('spot');\n"
    "  var fact = function (name) { return Number(table.getAttribute('data-' + name)); };\n"
    "  var width = fact('width'), height = fact('height'), side = fact('side');\n"
    "  var rows = fact('rows'), cols = fact('cols'), left = fact('left'), top = fact('top');\n"
    "  var tiles = table.textContent.split('\\n');\n"
    "  var frames = Array.prototype.map.call(id('files').children, function (li) {\n"
    "    var f = function (name) { return li.getAttribute('data-' + name); };\n"
    "    return {file: li.textContent, handed: f('handed'), slice: f('slice'), mm: f('mm'),\n"
    "            scale: Number(f('scale')), dx: Number(f('dx')), dy: Number(f('dy'))};\n"
    "  });\n"
    "  var placed = frames.some(function (f) { return f.mm; });\n"
    "  var at = {x: Math.floor(width / 2), y: Math.floor(height / 2)};\n"
    "  function clamp(v, most) { return Math.max(0, Math.min(Math.floor(v), most)); }\n"
    "  function tileAt(p) {\n"
    "    return {row: clamp((p.y + 0.5 - top) / side, rows - 1),\n"
    "            col: clamp((p.x + 0.5 - left) / side, cols - 1)};\n"
    "  }\n"
    "  function place(p, f) {\n"
    "    return Math.floor(width / 2 + f.scale * (p.x + 0.5 - width / 2) + f.dx) + ',' +\n"
    "        Math.floor(height / 2 + f.scale * (p.y + 0.5 - height / 2) + f.dy);\n"
    "  }\n"
    "  function put(parent, name, text) {\n"
    "    var e = document.createElement(name);\n"
    "    if (text) e.textContent = text;\n"
    "    parent.appendChild(e);\n"
    "    return e;\n"
    "  }\n"
    "  function line(body, p, index, share) {\n"
    "    var f = frames[index], row = put(body, 'tr');\n"
    "    put(row, 'td', f.slice);\n"
    "    put(row, 'td', share ? share + ' %' : 'something else');\n"
    "    put(row, 'td', place(p, f));\n"
    "    if (placed) put(row, 'td', f.mm ? f.mm + ' mm' : '');\n"
    "    put(row, 'td', f.file);\n"
    "    put(row, 'td', f.handed || 'not handed over');\n"
    "  }\n"
    "  function list(p, part) {\n"
    "    var t = put(answer, 'table'), head = put(put(t, 'thead'), 'tr'), body = put(t, 'tbody');\n"
    "    ['slice', 'sharpness', 'pixel', 'position', 'file', 'handed over as'].forEach(function (w) {\n"
    "      if (placed || w !== 'position') put(head, 'th', w).setAttribute('scope', 'col');\n"
    "    });\n"
    "    var best = part[0].split(' ');\n"
    "    for (var i = 0; i + 1 < best.length; i += 2) line(body, p, best[i], best[i + 1]);\n"
    "    if (part[1]) part[1].split(' ').forEach(function (k) { line(body, p, k, ''); });\n"
    "  }\n"
    "  function show() {\n"
    "    var t = tileAt(at), text = tiles[t.row * cols + t.col], part = text.split(';');\n"
    "    var x = left + t.col * side, y = top + t.row * side;\n"
    "    var right = Math.min(x + side, width), end = Math.min(y + side, height);\n"
    "    x = Math.max(x, 0), y = Math.max(y, 0);\n"
    "    spot.hidden = false;\n"
    "    spot.style.left = 100 * x / width + '%';\n"
    "    spot.style.top = 100 * y / height + '%';\n"
    "    spot.style.width = 100 * (right - x) / width + '%';\n"
    "    spot.style.height = 100 * (end - y) / height + '%';\n"
    "    answer.textContent = '';\n"
    "    put(answer, 'p', 'At ' + at.x + ',' + at.y + ' of the first frame' +\n"
    "        (text ? (part[2] ? ', in focus at ' + part[2] + ' mm:' : ':')\n"
    "              : ': nothing there has texture; no frame is sharper than another.'));\n"
    "    if (text) list(at, part);\n"
    "    if (part[3]) put(answer, 'p', part[3]);\n"
    "  }\n"
    "  map.addEventListener('click', function (e) {\n"
    "    var box = map.getBoundingClientRect();\n"
    "    at = {x: clamp((e.clientX - box.left) / box.width * width, width - 1),\n"
    "          y: clamp((e.clientY - box.top) / box.height * height, height - 1)};\n"
    "    show();\n"
    "  });\n"
    "  map.addEventListener('keydown', function (e) {\n"
    "    var step = {ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1],\n"
    "                Enter: [0, 0]}[e.key];\n"
    "    if (!step || e.ctrlKey || e.altKey || e.metaKey) return;\n"
    "    var t = tileAt(at), many = e.shiftKey ? 8 : 1;\n"
    "    var col = Math.max(0, Math.min(cols - 1, t.col + many * step[0]));\n"
    "    var row = Math.max(0, Math.min(rows - 1, t.row + many * step[1]));\n"
    "    at = {x: clamp(left + (col + 0.5) * side, width - 1),\n"
    "          y: clamp(top + (row + 0.5) * side, height - 1)};\n"
    "    show();\n"
    "    e.preventDefault();\n"
    "  });\n"
    "  map.className = 'live';\n"
    "  map.tabIndex = 0;\n"
    "  map.setAttribute('role', 'application');\n"
    "  map.setAttribute('aria-label', 'map: the arrow keys go from place to place, with shift by eight');\n"
    "  answer.hidden = false;\n"
    "}());\n";

void page_write_map(const struct page_facts *f, struct html *h)
{
    html_markup(h, "<div id=\"map\">");
    page_write_image(h, f->coverage, "the subject, tinted by the slice in which each part is sharp");
    html_markup(h, "<div id=\"spot\" hidden=\"\"></div></div>\n");
}

static void write_frames(const struct page_facts *f, struct html *h)
{
    html_markup(h, "<ol id=\"files\" hidden=\"\">\n");
    for (int32_t i = 0; i < f->map->frames; i++) {
        const struct frame_place *p = &f->map->place[i];
        const int64_t nm = f->stack.rows[i].target_nm;
        html_number(h, "<li data-slice=\"%d\" data-scale=\"%.9f\" data-dx=\"%.6f\" data-dy=\"%.6f\"",
                    f->stack.rows[i].slice, p->scale, p->dx_px, p->dy_px);
        if (nm != STACK_NONE) html_number(h, " data-mm=\"%.3f\"", mm_from_nm(nm));
        html_markup(h, " data-handed=\"");
        html_text(h, f->handed[i]);
        html_markup(h, "\">");
        html_text(h, f->stack.rows[i].files[0].name);
        html_markup(h, "</li>\n");
    }
    html_markup(h, "</ol>\n");
}

static const char *warning(const struct page_facts *f, int32_t tile)
{
    switch (f->stack.verdict->tiles[tile].state) {
    case TILE_UNSHARP_BEFORE:
    case TILE_UNSHARP_AFTER:
    case TILE_GAP:
        return "Sharp in none of them, as the map says.";
    default:
        return "";
    }
}

/* FRAME PERCENT FRAME PERCENT FRAME PERCENT ; FRAME... ; MM ; words - or an empty line. */
static void write_tile(const struct page_facts *f, int32_t tile, struct html *h)
{
    const struct where_tile *t = &f->map->tiles[tile];
    const int64_t nm = where_position_nm(f->stack.rows, f->map->frames, t->peak);
    for (int32_t k = 0; k < t->count; k++)
        html_number(h, "%s%d %.0f", k ? " " : "", t->frame[k], 100 * t->sharpness[k]);
    if (t->count) html_markup(h, ";");
    for (int32_t k = 0; k < t->others; k++)
        html_number(h, "%s%d", k ? " " : "", t->other[k]);
    if (t->count) html_markup(h, ";");
    if (t->count && nm != STACK_NONE) html_number(h, "%.3f", mm_from_nm(nm));
    if (t->count) html_number(h, ";%s", warning(f, tile));
    html_markup(h, "\n");
}

void page_write_answers(const struct page_facts *f, struct html *h)
{
    const struct where_map *m = f->map;
    if (!m) return;
    html_markup(
        h,
        "<div id=\"answer\" hidden=\"\" aria-live=\"polite\"><p class=\"small\">To retouch a place, click on "
        "it, or go there with the arrow keys: it is told in which files it is sharpest, and at which "
        "pixel.</p></div>\n");
    write_frames(f, h);
    html_number(h,
                "<pre id=\"tiles\" hidden=\"\" data-width=\"%d\" data-height=\"%d\" data-side=\"%d\" "
                "data-rows=\"%d\" data-cols=\"%d\" data-left=\"%d\" data-top=\"%d\">\n",
                m->width_px, m->height_px, m->tile_px, m->rows, m->cols, m->grid_x_px, m->grid_y_px);
    for (int32_t i = 0; i < m->rows * m->cols; i++)
        write_tile(f, i, h);
    html_markup(h, "</pre>\n<script>\n");
    html_markup(h, page_script);
    html_markup(h, "</script>\n");
}
