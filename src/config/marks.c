#include "config/marks.h"

#include <stdio.h>
#include <string.h>

#include "base/fs.h"
#include "base/mem.h"
#include "base/units.h"
#include "config/config.h"
#include "config/reader.h"

#define TEXT_ROOM 2048
#define SECTION   "measured."

/* Any job will do behind the marks: this one is never shot. */
static const char around[] = "\nmagnification: 1\n";

int marks_path(const char *job_path, char out[PATH_ROOM], struct err *why)
{
    const char *slash = strrchr(job_path, '/'), *dot = strrchr(job_path, '.');
    const size_t n =
        dot && dot > (slash ? slash + 1 : job_path) ? (size_t)(dot - job_path) : strlen(job_path);
    const int made = snprintf(out, PATH_ROOM, "%.*s.measured.yaml", (int)n, job_path);
    if (made < 0 || made >= PATH_ROOM)
        return fail(why, E_INPUT, "%.60s...: the path is too long; use a shorter one", job_path);
    return E_OK;
}

/* Nothing but marks may stand there: the rest is the job file's. */
static int only_marks(const struct job *j, const char *path, struct err *why)
{
    for (int32_t i = 0; i < j->origins.count; i++) {
        const struct origin *o = &j->origins.rows[i];
        if (strncmp(o->key, SECTION, sizeof SECTION - 1) != 0 && strcmp(o->key, "magnification") != 0)
            return fail(why, E_INPUT, "%s:%d: %s belongs into the job file; move it there", path,
                        (int)o->line, o->key);
    }
    return E_OK;
}

static int check(const char *path, const char *text, struct marks *out, struct err *why)
{
    struct job j;
    const size_t room = sizeof around + strlen(text);
    char *whole = mem_new(room, 1, why);
    if (!whole) return E_NOMEM;
    snprintf(whole, room, "%s%s", text, around);
    int rc = job_parse(whole, path, &j, why);
    if (!rc) {
        rc = only_marks(&j, path, why);
        *out = (struct marks){.near_end = j.near_mark, .far_end = j.far_mark};
        snprintf(out->shot_at, sizeof out->shot_at, "%s", j.marks_shot_at);
        job_clear(&j);
    }
    mem_free(whole);
    return rc;
}

static int read_file(const char *job_path, char **text_out, struct marks *out, struct err *why)
{
    char path[PATH_ROOM];
    *text_out = NULL;
    *out = (struct marks){0};
    int rc = marks_path(job_path, path, why);
    if (rc || !fs_exists(path)) return rc;
    rc = reader_text(path, text_out, why);
    if (rc) return rc;
    rc = check(path, *text_out, out, why);
    if (!rc) return E_OK;
    mem_free(*text_out);
    *text_out = NULL;
    return rc;
}

int marks_text(const char *job_path, char **text_out, struct err *why)
{
    struct marks m;
    return read_file(job_path, text_out, &m, why);
}

int marks_read(const char *job_path, struct marks *out, struct err *why)
{
    char *text;
    int rc = read_file(job_path, &text, out, why);
    if (!rc) mem_free(text);
    return rc;
}

static void add(char text[TEXT_ROOM], const char *end, const struct mark *m)
{
    const size_t used = strlen(text);
    if (!m->at[0]) return;
    snprintf(text + used, TEXT_ROOM - used,
             "  %s_mm: %.6f\n  %s_uncertainty_um: %.3f\n  %s_at: %s\n  %s_how: %s\n", end,
             mm_from_nm(m->position_nm), end, um_from_nm(m->uncertainty_nm), end, m->at, end, m->how);
}

int marks_write(const char *job_path, const struct marks *m, struct err *why)
{
    char path[PATH_ROOM], dir[PATH_ROOM], text[TEXT_ROOM];
    int rc = marks_path(job_path, path, why);
    if (rc) return rc;
    char *slash = strrchr(path, '/');
    snprintf(dir, sizeof dir, "%.*s", slash ? (int)(slash - path) : 1, slash ? path : ".");
    if (slash == path) snprintf(dir, sizeof dir, "/");
    snprintf(text, sizeof text,
             "# What was found at the bench. Staddle writes this file; the job file stays as it is.\n"
             "measured:\n");
    add(text, "near", &m->near_end);
    add(text, "far", &m->far_end);
    if (m->shot_at[0]) snprintf(text + strlen(text), TEXT_ROOM - strlen(text), "  shot_at: %s\n", m->shot_at);
    return fs_replace(dir, slash ? slash + 1 : path, text, strlen(text), why);
}

int marks_note_shot(const char *job_path, const char *at, struct err *why)
{
    struct marks m;
    int rc = marks_read(job_path, &m, why);
    if (rc || m.shot_at[0] || (!m.near_end.at[0] && !m.far_end.at[0])) return rc;
    snprintf(m.shot_at, sizeof m.shot_at, "%s", at);
    return marks_write(job_path, &m, why);
}
