#include "config/reader.h"

#include <stdio.h>
#include <string.h>
#include <yaml.h>

#include "base/fs.h"
#include "base/mem.h"
#include "config/config.h"
#include "config/value.h"

#define GUESS_MOST   32 /* longer keys are not worth a guess */
#define NESTING_MOST 8

struct reading {
    const char *name;
    const struct schema *schema;
    char *record;
    struct origins *origins;
    yaml_document_t *document;
    struct err *why;
};

int32_t origin_line(const struct origins *origins, const char *key)
{
    for (int32_t i = 0; i < origins->count; i++)
        if (!strcmp(origins->rows[i].key, key)) return origins->rows[i].line;
    return 0;
}

int reader_resolve(const char *file, const char *path, char out[PATH_ROOM], struct err *why)
{
    const char *slash = path[0] == '/' ? NULL : strrchr(file, '/');
    const int folder = slash ? (int)(slash - file + 1) : 0;
    const int n = snprintf(out, PATH_ROOM, "%.*s%s", folder, file, path);
    if (n < 0 || n >= PATH_ROOM)
        return fail(why, E_INPUT, "%.60s...: the path is too long; use a shorter one", path);
    return E_OK;
}

int reader_text(const char *path, char **text_out, struct err *why)
{
    uint8_t *bytes;
    size_t count;
    int rc = fs_read(path, CONFIG_BYTES_MOST, &bytes, &count, why);
    if (rc) return rc;
    if (memchr(bytes, 0, count)) {
        mem_free(bytes);
        return fail(why, E_INPUT, "%s: not a text file; name a bench or job file", path);
    }
    *text_out = (char *)bytes;
    return E_OK;
}

static int32_t line_of(const yaml_node_t *node)
{
    return (int32_t)node->start_mark.line + 1;
}

static bool is_plain(const yaml_node_t *node)
{
    return node->data.scalar.style == YAML_PLAIN_SCALAR_STYLE;
}

/* How many insertions, removals and changes turn a into b (Levenshtein 1966, from memory). */
static int distance(const char *a, const char *b)
{
    int row[GUESS_MOST + 1];
    const int n = (int)strlen(b);
    for (int k = 0; k <= n; k++)
        row[k] = k;
    for (int i = 1; *a; a++, i++) {
        int diagonal = row[0];
        row[0] = i;
        for (int k = 1; k <= n; k++) {
            const int change = diagonal + (*a != b[k - 1]);
            diagonal = row[k];
            const int other = (row[k] < row[k - 1] ? row[k] : row[k - 1]) + 1;
            row[k] = change < other ? change : other;
        }
    }
    return row[n];
}

static const char *last_part(const char *key)
{
    const char *dot = strchr(key, '.');
    return dot ? dot + 1 : key;
}

static bool in_section(const char *key, const char *section)
{
    const size_t n = strlen(section);
    return n ? !strncmp(key, section, n) && key[n] == '.' : !strchr(key, '.');
}

/* The known key that looks most like this one; the same section wins when two are as near. NULL: none is
 * near. */
static const char *nearest_key(const struct schema *schema, const char *section, const char *key)
{
    if (strlen(key) > GUESS_MOST) return NULL;
    const char *best = NULL;
    int best_score = 2 * (1 + (int)strlen(key) / 3) + 1;
    for (size_t i = 0; i < schema->row_count; i++) {
        const char *name = schema->rows[i].name;
        const int score = 2 * distance(key, last_part(name)) + !in_section(name, section);
        if (score >= best_score) continue;
        best = name;
        best_score = score;
    }
    return best;
}

static int unknown_key(const struct reading *r, const yaml_node_t *at, const char *section, const char *key)
{
    char shown[VALUE_SHOWN];
    value_show(key, shown);
    const char *guess = nearest_key(r->schema, section, key);
    const char *dot = *section ? "." : "";
    if (!guess)
        return fail(r->why, E_INPUT, "%s:%d: %s%s%s: a %s has no such key; remove it", r->name, line_of(at),
                    section, dot, shown, r->schema->what);
    const char *guess_dot = strchr(guess, '.');
    if (!guess_dot || in_section(guess, section))
        return fail(r->why, E_INPUT, "%s:%d: %s%s%s: a %s has no such key; did you mean %s?", r->name,
                    line_of(at), section, dot, shown, r->schema->what, last_part(guess));
    return fail(r->why, E_INPUT, "%s:%d: %s%s%s: a %s has no such key; did you mean %s, under %.*s?", r->name,
                line_of(at), section, dot, shown, r->schema->what, guess_dot + 1, (int)(guess_dot - guess),
                guess);
}

static const struct key_row *find_row(const struct schema *schema, const char *section, const char *key)
{
    for (size_t i = 0; i < schema->row_count; i++)
        if (in_section(schema->rows[i].name, section) && !strcmp(last_part(schema->rows[i].name), key))
            return &schema->rows[i];
    return NULL;
}

/* The row whose section this is, as a static name to remember: any of its keys. */
static const struct key_row *find_section(const struct schema *schema, const char *section)
{
    for (size_t i = 0; *section && i < schema->row_count; i++)
        if (in_section(schema->rows[i].name, section)) return &schema->rows[i];
    return NULL;
}

static int remember(const struct reading *r, const struct key_row *row, int32_t line)
{
    const int32_t first = origin_line(r->origins, row->name);
    if (first)
        return fail(r->why, E_INPUT, "%s:%d: %s is given twice, first in line %d; keep one", r->name, line,
                    row->name, first);
    if (r->origins->count == ORIGINS_MOST)
        return fail(r->why, E_INPUT, "%s:%d: too many keys; remove some", r->name, line);
    r->origins->rows[r->origins->count++] = (struct origin){row->name, line};
    return E_OK;
}

static int read_value(const struct reading *r, const struct key_row *row, const yaml_node_t *key,
                      const yaml_node_t *value)
{
    int rc = remember(r, row, line_of(key));
    if (rc) return rc;
    const struct place at = {r->name, line_of(key)};
    if (value->type != YAML_SCALAR_NODE)
        return fail(r->why, E_INPUT, "%s:%d: %s takes one value; write %s", at.file, at.line, row->name,
                    value_wanted(row).text);
    const char *text = (const char *)value->data.scalar.value;
    if (strlen(text) != value->data.scalar.length)
        return fail(r->why, E_INPUT, "%s:%d: %s has a character in it that is no text; remove it", at.file,
                    at.line, row->name);
    return value_set(row, text, is_plain(value), at, r->record + row->offset, r->why);
}

/* The text of a key; E_INPUT unless it is a plain word. */
static int key_text(const struct reading *r, const yaml_node_t *key, const char **out)
{
    if (key->type != YAML_SCALAR_NODE ||
        strlen((const char *)key->data.scalar.value) != key->data.scalar.length)
        return fail(r->why, E_INPUT, "%s:%d: a key has to be a plain word; rewrite it", r->name,
                    line_of(key));
    *out = (const char *)key->data.scalar.value;
    return E_OK;
}

static int read_section(const struct reading *r, const char *section, const yaml_node_t *mapping)
{
    const yaml_node_pair_t *end = mapping->data.mapping.pairs.top;
    for (const yaml_node_pair_t *pair = mapping->data.mapping.pairs.start; pair < end; pair++) {
        const yaml_node_t *key = yaml_document_get_node(r->document, pair->key);
        const yaml_node_t *value = yaml_document_get_node(r->document, pair->value);
        const char *text = "";
        int rc = key_text(r, key, &text);
        if (rc) return rc;
        const struct key_row *row = find_row(r->schema, section, text);
        if (!row) return unknown_key(r, key, section, text);
        if ((rc = read_value(r, row, key, value))) return rc;
    }
    return E_OK;
}

static int check_required(const struct reading *r, const char *section, int32_t line)
{
    for (size_t i = 0; i < r->schema->row_count; i++) {
        const struct key_row *row = &r->schema->rows[i];
        if (row->required && in_section(row->name, section) && !origin_line(r->origins, row->name))
            return fail(r->why, E_INPUT, "%s:%d: %s is missing; write %s", r->name, line, row->name,
                        value_wanted(row).text);
    }
    return E_OK;
}

/* One key of the top level: a value, or a section with its keys. */
static int read_top(const struct reading *r, const yaml_node_t *key, const yaml_node_t *value)
{
    const char *text = "";
    int rc = key_text(r, key, &text);
    if (rc) return rc;
    const struct key_row *row = find_row(r->schema, "", text);
    const struct key_row *section = find_section(r->schema, text);
    if (!row && !section) return unknown_key(r, key, "", text);
    if (!section || (row && value->type == YAML_SCALAR_NODE)) return read_value(r, row, key, value);
    if (value->type != YAML_MAPPING_NODE)
        return fail(r->why, E_INPUT, "%s:%d: %s holds keys of its own; write them below it, indented",
                    r->name, line_of(key), text);
    if ((rc = read_section(r, text, value))) return rc;
    return check_required(r, text, line_of(key));
}

/* A section that is not there at all, though it has required keys. */
static int check_sections(const struct reading *r)
{
    for (size_t i = 0; i < r->schema->row_count; i++) {
        const struct key_row *row = &r->schema->rows[i];
        if (row->required && !origin_line(r->origins, row->name))
            return fail(r->why, E_INPUT, "%s:1: %s is missing; write %s", r->name, row->name,
                        value_wanted(row).text);
    }
    return E_OK;
}

static int same_section_twice(const struct reading *r, const yaml_node_t *mapping,
                              const yaml_node_pair_t *pair)
{
    const yaml_node_t *key = yaml_document_get_node(r->document, pair->key);
    for (const yaml_node_pair_t *other = mapping->data.mapping.pairs.start; other < pair; other++) {
        const yaml_node_t *first = yaml_document_get_node(r->document, other->key);
        if (!strcmp((const char *)first->data.scalar.value, (const char *)key->data.scalar.value))
            return fail(r->why, E_INPUT, "%s:%d: %s is given twice, first in line %d; keep one", r->name,
                        line_of(key), (const char *)first->data.scalar.value, line_of(first));
    }
    return E_OK;
}

static int read_document(const struct reading *r)
{
    const yaml_node_t *root = yaml_document_get_root_node(r->document);
    if (!root)
        return fail(r->why, E_INPUT, "%s:1: the file is empty; a %s has keys in it", r->name,
                    r->schema->what);
    if (root->type != YAML_MAPPING_NODE)
        return fail(r->why, E_INPUT, "%s:%d: a %s is a list of 'key: value' lines; write it so", r->name,
                    line_of(root), r->schema->what);
    const yaml_node_pair_t *end = root->data.mapping.pairs.top;
    for (const yaml_node_pair_t *pair = root->data.mapping.pairs.start; pair < end; pair++) {
        int rc = read_top(r, yaml_document_get_node(r->document, pair->key),
                          yaml_document_get_node(r->document, pair->value));
        if (!rc) rc = same_section_twice(r, root, pair);
        if (rc) return rc;
    }
    return check_sections(r);
}

static int no_memory(const char *name, struct err *why)
{
    return fail(why, E_NOMEM, "no memory to read %s; close other programs", name);
}

/* libyaml gives no mark for bytes that are no UTF-8, only their offset. */
static int line_at(const char *text, size_t offset)
{
    int line = 1;
    for (size_t i = 0; i < offset && text[i]; i++)
        line += text[i] == '\n';
    return line;
}

static int bad_yaml(const yaml_parser_t *parser, const char *text, const char *name, struct err *why)
{
    if (parser->error == YAML_MEMORY_ERROR) return no_memory(name, why);
    const bool bytes = parser->error == YAML_READER_ERROR;
    const int line = bytes ? line_at(text, parser->problem_offset) : (int)parser->problem_mark.line + 1;
    return fail(why, E_INPUT, "%s:%d: not YAML: %s; look at indents, colons and quotes there", name, line,
                parser->problem ? parser->problem : "broken");
}

/* A second document in the same file would be read by nobody. */
static int check_single(yaml_parser_t *parser, const char *text, const char *name, struct err *why)
{
    yaml_document_t more;
    if (!yaml_parser_load(parser, &more)) return bad_yaml(parser, text, name, why);
    const yaml_node_t *root = yaml_document_get_root_node(&more);
    int rc = root ? fail(why, E_INPUT, "%s:%d: a second document begins here; keep one", name, line_of(root))
                  : E_OK;
    yaml_document_delete(&more);
    return rc;
}

static bool open_parser(yaml_parser_t *parser, const char *text)
{
    if (!yaml_parser_initialize(parser)) return false;
    yaml_parser_set_encoding(parser, YAML_UTF8_ENCODING);
    yaml_parser_set_input_string(parser, (const unsigned char *)text, strlen(text));
    return true;
}

/* libyaml takes minutes over a file of open brackets (its time goes with the square of the depth): look
 * first, and stop early. Errors other than depth are left for the reading proper. */
static int check_nesting(const char *text, const char *name, struct err *why)
{
    yaml_parser_t parser;
    if (!open_parser(&parser, text)) return no_memory(name, why);
    int depth = 0;
    int rc = E_OK;
    for (bool more = true; more && !rc;) {
        yaml_event_t event;
        if (!yaml_parser_parse(&parser, &event)) break;
        more = event.type != YAML_STREAM_END_EVENT;
        depth += event.type == YAML_MAPPING_START_EVENT || event.type == YAML_SEQUENCE_START_EVENT;
        depth -= event.type == YAML_MAPPING_END_EVENT || event.type == YAML_SEQUENCE_END_EVENT;
        if (depth > NESTING_MOST)
            rc = fail(why, E_INPUT, "%s:%d: keys nest too deep here; only a section holds keys", name,
                      (int)event.start_mark.line + 1);
        yaml_event_delete(&event);
    }
    yaml_parser_delete(&parser);
    return rc;
}

int reader_fill(const char *text, const char *name, const struct schema *schema, void *record,
                struct origins *origins, struct err *why)
{
    yaml_parser_t parser;
    yaml_document_t document;
    if (strlen(text) > CONFIG_BYTES_MOST)
        return fail(why, E_INPUT, "%s: larger than %d bytes, which no hand-written file is; name another",
                    name, CONFIG_BYTES_MOST);
    int rc = check_nesting(text, name, why);
    if (rc) return rc;
    if (!open_parser(&parser, text)) return no_memory(name, why);
    if (!yaml_parser_load(&parser, &document)) {
        rc = bad_yaml(&parser, text, name, why);
    } else {
        const struct reading r = {name, schema, record, origins, &document, why};
        rc = read_document(&r);
        if (!rc) rc = check_single(&parser, text, name, why);
        yaml_document_delete(&document);
    }
    yaml_parser_delete(&parser);
    return rc;
}
