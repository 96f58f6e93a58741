#include "store/last_job.h"

#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/fs.h"
#include "base/json.h"
#include "base/mem.h"

#define FILE_NAME  "last-job.json"
#define BYTES_MOST 65536

/* The folder of the file. The specification: a variable that holds no absolute path counts as not set. */
static int state_dir(char out[PATH_ROOM], struct err *why)
{
    const char *state = getenv("XDG_STATE_HOME"), *home = getenv("HOME");
    int n;
    if (state && *state == '/')
        n = snprintf(out, PATH_ROOM, "%s/staddle", state);
    else if (home && *home == '/')
        n = snprintf(out, PATH_ROOM, "%s/.local/state/staddle", home);
    else
        return fail(why, E_INPUT,
                    "neither XDG_STATE_HOME nor HOME is set, so the last job is not remembered");
    if (n >= PATH_ROOM) return fail(why, E_INPUT, "XDG_STATE_HOME: the path is too long");
    return E_OK;
}

static int make_dirs(char *path, struct err *why)
{
    for (char *p = path + 1;; p++) {
        if (*p && *p != '/') continue;
        const char kept = *p;
        *p = '\0';
        int rc = fs_exists(path) ? E_OK : fs_make_dir(path, why);
        *p = kept;
        if (rc && rc != E_STATE) return rc;
        if (!kept) return E_OK;
    }
}

static void take_text(const json_t *o, const char *key, char out[PATH_ROOM])
{
    const char *text = json_get_text(o, key);
    snprintf(out, PATH_ROOM, "%s", strlen(text) < PATH_ROOM ? text : "");
}

int last_job_read(struct last_job *out, bool *there, struct err *why)
{
    char dir[PATH_ROOM], path[PATH_ROOM];
    uint8_t *bytes;
    size_t count;
    *there = false;
    int rc = state_dir(dir, why);
    if (!rc) rc = fs_join(path, sizeof path, dir, FILE_NAME, why);
    if (rc || !fs_exists(path)) return rc;
    rc = fs_read(path, BYTES_MOST, &bytes, &count, why);
    if (rc) return rc;
    json_t *o = json_loadb((const char *)bytes, count, JSON_REJECT_DUPLICATES, NULL);
    mem_free(bytes);
    memset(out, 0, sizeof *out);
    take_text(o, "job", out->job);
    take_text(o, "bench", out->bench);
    take_text(o, "folder", out->folder);
    take_text(o, "stack", out->stack);
    out->begun_wall_us = json_integer_value(json_object_get(o, "begun_wall_us"));
    *there = *out->job == '/' && *out->folder == '/' && out->begun_wall_us > 0;
    json_decref(o);
    return E_OK;
}

int last_job_write(const struct last_job *l, struct err *why)
{
    char dir[PATH_ROOM];
    int rc = state_dir(dir, why);
    if (!rc) rc = make_dirs(dir, why);
    if (rc) return rc;
    json_t *o = json_object();
    json_object_set_new(o, "format", json_integer(1));
    json_object_set_new(o, "job", json_text(l->job));
    json_object_set_new(o, "bench", json_text(l->bench));
    json_object_set_new(o, "folder", json_text(l->folder));
    json_object_set_new(o, "stack", json_text(l->stack));
    json_object_set_new(o, "begun_wall_us", json_integer(l->begun_wall_us));
    char *text = json_dumps(o, JSON_INDENT(2));
    json_decref(o);
    if (!text) return fail(why, E_NOMEM, "no memory for the last job");
    rc = fs_replace(dir, FILE_NAME, text, strlen(text), why);
    free(text);
    return rc;
}

int last_job_absolute(const char *path, char out[PATH_ROOM], struct err *why)
{
    char *real = realpath(path, NULL);
    if (!real) return fail_errno(why, E_INPUT, "%s", path);
    const int n = snprintf(out, PATH_ROOM, "%s", real);
    free(real);
    return n < PATH_ROOM ? E_OK : fail(why, E_INPUT, "%.60s...: the path is too long", path);
}
