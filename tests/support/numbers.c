#include "tests/support/test.h"

#include "tests/support/numbers.h"

#include <ctype.h>

#define NUMBERS_MOST 200000

struct known {
    double *numbers;
    int count;
    char *words; /* every JSON string, one after the other, separated by a line feed */
};

static void know_text(struct known *k, const char *text)
{
    const size_t old = strlen(k->words), more = strlen(text);
    k->words = realloc(k->words, old + more + 2);
    assert_non_null(k->words);
    memcpy(k->words + old, text, more);
    memcpy(k->words + old + more, "\n", 2);
}

/* Walks the tree with a stack of its own. */
static struct known gather(const json_t *root)
{
    struct known k = {malloc(NUMBERS_MOST * sizeof *k.numbers), 0, calloc(1, 1)};
    const json_t **stack = malloc(NUMBERS_MOST * sizeof *stack);
    int depth = 0;
    assert_true(k.numbers && k.words && stack);
    stack[depth++] = root;
    while (depth) {
        const json_t *v = stack[--depth];
        const char *key;
        json_t *child;
        size_t i;
        assert_true(depth < NUMBERS_MOST - 1000 && k.count < NUMBERS_MOST);
        if (json_is_number(v)) k.numbers[k.count++] = json_number_value(v);
        if (json_is_string(v)) know_text(&k, json_string_value(v));
        json_array_foreach (v, i, child)
            stack[depth++] = child;
        json_object_foreach((json_t *)(uintptr_t)v, key, child) stack[depth++] = child;
    }
    free(stack);
    return k;
}

static bool near_any(const struct known *k, double value, double tolerance)
{
    for (int i = 0; i < k->count; i++)
        if (fabs(k->numbers[i] - value) <= tolerance) return true;
    return false;
}

/* "2 min 5 s", "1 h 7 min": the seconds meant, and how many bytes that took; 0 for none. */
static size_t duration(const char *p, double *seconds, double *tolerance)
{
    int a, b, used = 0;
    *seconds = *tolerance = 0;
    if (sscanf(p, "%d min %d s%n", &a, &b, &used) == 2 && used) {
        *seconds = 60 * a + b;
        *tolerance = 0.5 + 1e-6;
    } else if (sscanf(p, "%d h %d min%n", &a, &b, &used) == 2 && used) {
        *seconds = 3600 * a + 60 * b;
        *tolerance = 60;
    } else if (sscanf(p, "%d min%n", &a, &used) == 1 && used) {
        *seconds = 60 * a;
        *tolerance = 0.5 + 1e-6;
    }
    return used > 0 ? (size_t)used : 0;
}

/* As a whole number in one of the strings, not as a piece of a longer one. */
static bool written(const struct known *k, const char *number)
{
    const size_t n = strlen(number);
    for (const char *p = strstr(k->words, number); p; p = strstr(p + 1, number)) {
        const char before = p > k->words ? p[-1] : ' ', after = p[n], next = after ? p[n + 1] : ' ';
        if (isdigit((unsigned char)before) || before == '.' || isdigit((unsigned char)after)) continue;
        if (after == '.' && isdigit((unsigned char)next)) continue;
        return true;
    }
    return false;
}

static bool number_known(const struct known *k, const char *p, size_t length)
{
    char text[64];
    snprintf(text, sizeof text, "%.*s", (int)length, p);
    const char *dot = strchr(text, '.');
    const double value = atof(text), half = 0.5 * pow(10, dot ? -(double)strlen(dot + 1) : 0) * (1 + 1e-6);
    if (written(k, text[0] == '-' ? text + 1 : text)) return true;
    if (!strncmp(p + length, " %", 2)) return near_any(k, value / 100, half / 100);
    return near_any(k, value, fmin(half, 0.0051 * fabs(value) + 1e-9));
}

static bool begins_number(const char *text, const char *p)
{
    const char before = p > text ? p[-1] : ' ';
    if (*p == '-') return isdigit((unsigned char)p[1]) && (before == ' ' || before == '(');
    return isdigit((unsigned char)*p) && !isalnum((unsigned char)before) && before != '_';
}

bool numbers_all_known(const char *text, const json_t *json, char missing[64])
{
    struct known k = gather(json);
    bool fine = true;
    for (const char *p = text; *p && fine;) {
        double seconds, tolerance;
        if (!begins_number(text, p)) {
            p++;
            continue;
        }
        size_t length = duration(p, &seconds, &tolerance);
        if (length) {
            fine = near_any(&k, seconds, tolerance);
        } else {
            length = (*p == '-') + strspn(p + (*p == '-'), "0123456789.");
            if (p[length - 1] == '.') length--; /* the end of a sentence */
            fine = number_known(&k, p, length);
        }
        if (!fine) snprintf(missing, 64, "%.*s", (int)(length < 63 ? length : 63), p);
        p += length;
    }
    free(k.numbers);
    free(k.words);
    return fine;
}
