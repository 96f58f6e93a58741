/* files.c - the files that the camera holds: one fetched, all listed, and a look through the lens. */
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "camera/inside.h"

#define DEPTH_MOST 8 /* of folders on a card */

/* ---- files ---- */

static bool split(const char *path, char folder[BODY_PATH_ROOM], const char **name)
{
    const char *slash = strrchr(path, '/');
    if (!slash || strlen(path) >= BODY_PATH_ROOM) return false;
    snprintf(folder, BODY_PATH_ROOM, "%.*s", slash == path ? 1 : (int)(slash - path), path);
    *name = slash + 1;
    return true;
}

static int not_there(const char *path, struct err *why)
{
    return fail(why, E_INPUT, "camera: %.100s is no file on it; list what it has", path);
}

int body_size(struct body *b, const char *path, int64_t *bytes_out, struct err *why)
{
    char folder[BODY_PATH_ROOM];
    const char *name;
    CameraFileInfo info;
    if (!split(path, folder, &name)) return not_there(path, why);
    b->said[0] = '\0';
    const int rc = gp_camera_file_get_info(b->camera, folder, name, &info, b->context);
    if (rc < 0) return body_refused(b, rc, path, why);
    *bytes_out = info.file.fields & GP_FILE_INFO_SIZE ? (int64_t)info.file.size : 0;
    return E_OK;
}

static int copy_file(CameraFile *file, uint8_t **bytes_out, int64_t *count_out, struct err *why)
{
    const char *data = NULL;
    unsigned long count = 0;
    const int rc = gp_file_get_data_and_size(file, &data, &count);
    if (rc < 0 || !count) return fail(why, E_IO, "camera: it sent an empty file; it is asked again");
    uint8_t *bytes = mem_new(count, 1, why);
    if (!bytes) return E_NOMEM;
    memcpy(bytes, data, count);
    *bytes_out = bytes;
    *count_out = (int64_t)count;
    return E_OK;
}

int body_fetch(struct body *b, const char *path, uint8_t **bytes_out, int64_t *count_out, struct err *why)
{
    char folder[BODY_PATH_ROOM];
    const char *name;
    CameraFile *file = NULL;
    if (!split(path, folder, &name)) return not_there(path, why);
    if (gp_file_new(&file) < 0) return fail(why, E_NOMEM, "no memory to fetch %.100s", path);
    b->said[0] = '\0';
    int rc = gp_camera_file_get(b->camera, folder, name, GP_FILE_TYPE_NORMAL, file, b->context);
    rc = rc < 0 ? body_refused(b, rc, path, why) : copy_file(file, bytes_out, count_out, why);
    gp_file_unref(file);
    if (rc == E_IO) body_reopen(b, NULL); /* for the next time */
    return rc;
}

int body_preview(struct body *b, uint8_t **jpeg_out, int64_t *count_out, struct err *why)
{
    CameraFile *file = NULL;
    if (gp_file_new(&file) < 0) return fail(why, E_NOMEM, "no memory for a preview");
    b->said[0] = '\0';
    int rc = gp_camera_capture_preview(b->camera, file, b->context);
    rc = rc < 0 ? body_refused(b, rc, "preview", why) : copy_file(file, jpeg_out, count_out, why);
    gp_file_unref(file);
    return rc;
}

/* ---- what is on the card ---- */

struct walk {
    struct body *body;
    int (*visit)(void *arg, const char *path);
    void *arg;
    struct err *why;
};

static int walk_files(const struct walk *w, const char *folder)
{
    CameraList *list;
    char path[BODY_PATH_ROOM];
    const char *name;
    if (gp_list_new(&list) < 0) return fail(w->why, E_NOMEM, "no memory for the camera's files");
    int rc = gp_camera_folder_list_files(w->body->camera, folder, list, w->body->context);
    if (rc < 0) rc = body_refused(w->body, rc, folder, w->why);
    for (int i = 0; !rc && i < gp_list_count(list); i++)
        if (gp_list_get_name(list, i, &name) == GP_OK &&
            snprintf(path, sizeof path, "%s/%s", strcmp(folder, "/") ? folder : "", name) < (int)sizeof path)
            rc = w->visit(w->arg, path);
    gp_list_free(list);
    return rc;
}

/* Folders yet to be looked into are kept in a list: the card's depth is a stranger's choice. */
static int walk_folders(const struct walk *w, CameraList *todo)
{
    char folder[BODY_PATH_ROOM], below[BODY_PATH_ROOM];
    const char *name;
    int rc = E_OK;
    for (int at = 0; !rc && at < gp_list_count(todo); at++) {
        CameraList *inner;
        int depth = 0;
        gp_list_get_name(todo, at, &name);
        snprintf(folder, sizeof folder, "%s", name);
        if ((rc = walk_files(w, folder))) break;
        for (const char *p = folder; *p; p++)
            depth += *p == '/';
        if (depth > DEPTH_MOST || gp_list_new(&inner) < 0) continue;
        if (gp_camera_folder_list_folders(w->body->camera, folder, inner, w->body->context) == GP_OK)
            for (int i = 0; i < gp_list_count(inner); i++)
                if (gp_list_get_name(inner, i, &name) == GP_OK &&
                    snprintf(below, sizeof below, "%s/%s", strcmp(folder, "/") ? folder : "", name) <
                        (int)sizeof below)
                    gp_list_append(todo, below, NULL);
        gp_list_free(inner);
    }
    return rc;
}

int body_list(struct body *b, int (*visit)(void *arg, const char *path), void *arg, struct err *why)
{
    const struct walk w = {b, visit, arg, why};
    CameraList *todo;
    int rc = body_reopen(b, why);
    if (rc) return rc;
    if (gp_list_new(&todo) < 0) return fail(why, E_NOMEM, "no memory for the camera's files");
    gp_list_append(todo, "/", NULL);
    rc = walk_folders(&w, todo);
    gp_list_free(todo);
    return rc;
}
