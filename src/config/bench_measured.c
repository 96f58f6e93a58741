#include "config/bench_measured.h"

#include <stdio.h>
#include <string.h>

#include "base/fs.h"
#include "base/mem.h"
#include "base/units.h"
#include "config/marks.h"
#include "config/reader.h"

#define AT(member) offsetof(struct bench_measured, member)

static const struct key_row rows[] = {
    {"measured.backlash_um", VALUE_UM, true, AT(backlash.position_nm), 0, 5000, NULL},
    {"measured.backlash_uncertainty_um", VALUE_UM, true, AT(backlash.uncertainty_nm), 0, 5000, NULL},
    {"measured.backlash_at", VALUE_NAME, true, AT(backlash.at), 0, 0, NULL},
    {"measured.backlash_how", VALUE_NAME, false, AT(backlash.how), 0, 0, NULL},
    {"measured.medium_to_small", VALUE_REAL, false, AT(medium_to_small), 1.5, 1000, NULL},
    {"measured.medium_to_small_uncertainty", VALUE_REAL, false, AT(medium_uncertainty), 0, 1000, NULL},
    {"measured.large_to_medium", VALUE_REAL, false, AT(large_to_medium), 1.2, 1000, NULL},
    {"measured.large_to_medium_uncertainty", VALUE_REAL, false, AT(large_uncertainty), 0, 1000, NULL},
    {"measured.sizes_at", VALUE_NAME, false, AT(sizes_at), 0, 0, NULL},
};

static const struct schema schema = {"file of what was measured", rows, sizeof rows / sizeof *rows};

/* Nothing else may stand there: the rest is the bench file's. */
static int read_measured(const char *bench_path, char **text_out, struct err *why)
{
    char path[PATH_ROOM];
    struct bench_measured m = {0};
    struct origins origins = {0};
    *text_out = NULL;
    int rc = marks_path(bench_path, path, why);
    if (rc || !fs_exists(path)) return rc;
    rc = reader_text(path, text_out, why);
    if (rc) return rc;
    rc = reader_fill(*text_out, path, &schema, &m, &origins, why);
    if (!rc) return E_OK;
    mem_free(*text_out);
    *text_out = NULL;
    return rc;
}

int bench_text_read(const char *bench_path, char **text_out, struct err *why)
{
    char *text, *measured, *both;
    int rc = reader_text(bench_path, &text, why);
    if (rc) return rc;
    rc = read_measured(bench_path, &measured, why);
    if (rc || !measured) {
        if (rc)
            mem_free(text);
        else
            *text_out = text;
        return rc;
    }
    const size_t room = strlen(text) + strlen(measured) + 2;
    both = mem_new(room, 1, why);
    if (both) snprintf(both, room, "%s\n%s", text, measured);
    mem_free(text);
    mem_free(measured);
    if (!both) return E_NOMEM;
    *text_out = both;
    return E_OK;
}

int bench_measured_write(const char *bench_path, const struct bench_measured *m, struct err *why)
{
    char path[PATH_ROOM], dir[PATH_ROOM], text[1024];
    int rc = marks_path(bench_path, path, why);
    if (rc) return rc;
    const char *slash = strrchr(path, '/');
    const int length = slash ? (int)(slash - path) : 0;
    snprintf(dir, sizeof dir, "%.*s", length > 0 ? length : 1, slash ? path : ".");
    int n = snprintf(
        text, sizeof text,
        "# What calibration found of this bench. Staddle writes this file; the bench file stays as it is.\n"
        "measured:\n  backlash_um: %.3f\n  backlash_uncertainty_um: %.3f\n  backlash_at: %s\n"
        "  backlash_how: %s\n",
        um_from_nm(m->backlash.position_nm), um_from_nm(m->backlash.uncertainty_nm), m->backlash.at,
        m->backlash.how);
    if (m->sizes_at[0])
        n += snprintf(text + n, sizeof text - (size_t)n,
                      "  medium_to_small: %.4f\n  medium_to_small_uncertainty: %.4f\n  sizes_at: %s\n",
                      m->medium_to_small, m->medium_uncertainty, m->sizes_at);
    if (m->sizes_at[0] && m->large_to_medium > 0)
        snprintf(text + n, sizeof text - (size_t)n,
                 "  large_to_medium: %.4f\n  large_to_medium_uncertainty: %.4f\n", m->large_to_medium,
                 m->large_uncertainty);
    return fs_replace(dir, slash ? slash + 1 : path, text, strlen(text), why);
}
