#include "device/folder_list.h"

#include <dirent.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <unistd.h>

#include "base/mem.h"

static int by_name(const void *a, const void *b)
{
    return strcmp(((const struct folder_file *)a)->name, ((const struct folder_file *)b)->name);
}

static int add(struct folder_list *l, const struct folder_file *f, struct err *why)
{
    if (l->count == l->room) {
        const int32_t room = l->room ? 2 * l->room : 64;
        struct folder_file *more = mem_grow(l->files, (size_t)l->room, (size_t)room, sizeof *more, why);
        if (!more) return E_NOMEM;
        l->files = more;
        l->room = room;
    }
    l->files[l->count++] = *f;
    return E_OK;
}

static int add_name(struct folder_list *l, int dir, const char *name, int64_t now_us, struct err *why)
{
    struct folder_file f = {.came_us = now_us, .changed_us = now_us, .use = FILE_NEW};
    struct stat st;
    if (name[0] == '.' || fstatat(dir, name, &st, AT_SYMLINK_NOFOLLOW) || !S_ISREG(st.st_mode)) return E_OK;
    if (snprintf(f.name, sizeof f.name, "%s", name) >= (int)sizeof f.name) return E_OK;
    f.inode = st.st_ino;
    f.bytes = st.st_size;
    f.written_ns = (int64_t)st.st_mtim.tv_sec * 1000000000 + st.st_mtim.tv_nsec;
    return add(l, &f, why);
}

static int read_all(struct folder_list *l, int dir, int64_t now_us, struct err *why)
{
    const int fd = openat(dir, ".", O_RDONLY | O_DIRECTORY | O_CLOEXEC); /* its own place in the list */
    DIR *d = fd < 0 ? NULL : fdopendir(fd);
    int rc = E_OK;
    if (!d && fd >= 0) close(fd);
    if (!d) return fail_errno(why, E_IO, "the folder that the frames come into cannot be read");
    for (struct dirent *e; !rc && (e = readdir(d));)
        rc = add_name(l, dir, e->d_name, now_us, why);
    closedir(d);
    if (l->count) qsort(l->files, (size_t)l->count, sizeof *l->files, by_name);
    return rc;
}

/* What was known of it before, unless it is another file by now. */
static void carry_over(struct folder_list *old, struct folder_file *f)
{
    const struct folder_file *was = folder_list_find(old, f->name);
    if (!was) return;
    if (was->inode == f->inode && was->bytes == f->bytes && was->written_ns == f->written_ns)
        *f = *was;
    else {
        f->open = was->open;
        f->again = was->use != FILE_NEW || was->again;
        if (was->use == FILE_NEW) f->came_us = was->came_us;
    }
}

int folder_list_look(struct folder_list *l, const struct folder_watch *w, int64_t now_us, struct err *why)
{
    struct folder_list now = {0};
    int rc = read_all(&now, folder_watch_dir(w), now_us, why);
    if (rc) {
        folder_list_clear(&now);
        return rc;
    }
    for (int32_t i = 0; i < now.count; i++)
        carry_over(l, &now.files[i]);
    folder_list_clear(l);
    *l = now;
    return E_OK;
}

void folder_list_clear(struct folder_list *l)
{
    mem_free(l->files);
    *l = (struct folder_list){0};
}

struct folder_file *folder_list_find(struct folder_list *l, const char *name)
{
    struct folder_file key = {0};
    if (!l->count || snprintf(key.name, sizeof key.name, "%s", name) >= (int)sizeof key.name) return NULL;
    return bsearch(&key, l->files, (size_t)l->count, sizeof *l->files, by_name);
}

static size_t stem(const char *name)
{
    const char *dot = strrchr(name, '.');
    return dot ? (size_t)(dot - name) : strlen(name);
}

bool folder_same_stem(const char *a, const char *b)
{
    return stem(a) == stem(b) && !strncasecmp(a, b, stem(a));
}
