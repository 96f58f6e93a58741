#include "tests/support/db_faults.h"

#include <errno.h>
#include <sqlite3.h>
#include <string.h>

#include "tests/support/faults.h"

/* The layer's file, with the real one behind it in the same piece of memory. */
struct layer {
    sqlite3_file base;
    bool is_log;
    sqlite3_file *real;
};

static sqlite3_vfs *os, vfs;
static long log_syncs;

static sqlite3_file *real(sqlite3_file *f)
{
    return ((struct layer *)f)->real;
}

static int layer_close(sqlite3_file *f)
{
    return real(f)->pMethods->xClose(real(f));
}

static int layer_read(sqlite3_file *f, void *to, int n, sqlite3_int64 at)
{
    return real(f)->pMethods->xRead(real(f), to, n, at);
}

static int layer_write(sqlite3_file *f, const void *from, int n, sqlite3_int64 at)
{
    if (faults_is_full()) return SQLITE_FULL;
    if (!faults_due(ENOSPC)) return real(f)->pMethods->xWrite(real(f), from, n, at);
    real(f)->pMethods->xWrite(real(f), from, n / 2, at); /* torn */
    return SQLITE_IOERR_WRITE;
}

static int layer_truncate(sqlite3_file *f, sqlite3_int64 size)
{
    return faults_due(EIO) ? SQLITE_IOERR_TRUNCATE : real(f)->pMethods->xTruncate(real(f), size);
}

static int layer_sync(sqlite3_file *f, int flags)
{
    (void)flags; /* as in faults.h, no sync reaches the disk */
    if (faults_due(EIO)) return SQLITE_IOERR_FSYNC;
    if (((struct layer *)f)->is_log) log_syncs++;
    return SQLITE_OK;
}

static int layer_size(sqlite3_file *f, sqlite3_int64 *out)
{
    return real(f)->pMethods->xFileSize(real(f), out);
}

static int layer_lock(sqlite3_file *f, int level)
{
    return real(f)->pMethods->xLock(real(f), level);
}

static int layer_unlock(sqlite3_file *f, int level)
{
    return real(f)->pMethods->xUnlock(real(f), level);
}

static int layer_reserved(sqlite3_file *f, int *out)
{
    return real(f)->pMethods->xCheckReservedLock(real(f), out);
}

static int layer_control(sqlite3_file *f, int op, void *arg)
{
    return real(f)->pMethods->xFileControl(real(f), op, arg);
}

static int layer_sector(sqlite3_file *f)
{
    return real(f)->pMethods->xSectorSize(real(f));
}

static int layer_traits(sqlite3_file *f)
{
    return real(f)->pMethods->xDeviceCharacteristics(real(f));
}

static int layer_shm_map(sqlite3_file *f, int page, int size, int extend, void volatile **out)
{
    return real(f)->pMethods->xShmMap(real(f), page, size, extend, out);
}

static int layer_shm_lock(sqlite3_file *f, int at, int n, int flags)
{
    return real(f)->pMethods->xShmLock(real(f), at, n, flags);
}

static void layer_shm_barrier(sqlite3_file *f)
{
    real(f)->pMethods->xShmBarrier(real(f));
}

static int layer_shm_unmap(sqlite3_file *f, int delete_it)
{
    return real(f)->pMethods->xShmUnmap(real(f), delete_it);
}

static const sqlite3_io_methods methods = {.iVersion = 2,
                                           .xClose = layer_close,
                                           .xRead = layer_read,
                                           .xWrite = layer_write,
                                           .xTruncate = layer_truncate,
                                           .xSync = layer_sync,
                                           .xFileSize = layer_size,
                                           .xLock = layer_lock,
                                           .xUnlock = layer_unlock,
                                           .xCheckReservedLock = layer_reserved,
                                           .xFileControl = layer_control,
                                           .xSectorSize = layer_sector,
                                           .xDeviceCharacteristics = layer_traits,
                                           .xShmMap = layer_shm_map,
                                           .xShmLock = layer_shm_lock,
                                           .xShmBarrier = layer_shm_barrier,
                                           .xShmUnmap = layer_shm_unmap};

static int layer_open(sqlite3_vfs *v, const char *name, sqlite3_file *f, int flags, int *out_flags)
{
    struct layer *l = (struct layer *)f;
    (void)v;
    l->real = (sqlite3_file *)(l + 1);
    l->is_log = (flags & SQLITE_OPEN_WAL) != 0;
    const int rc = os->xOpen(os, name, l->real, flags, out_flags);
    l->base.pMethods = l->real->pMethods ? &methods : NULL;
    return rc;
}

static int layer_delete(sqlite3_vfs *v, const char *name, int sync_dir)
{
    (void)v;
    return faults_due(EIO) ? SQLITE_IOERR_DELETE : os->xDelete(os, name, sync_dir);
}

void db_faults_on(void)
{
    log_syncs = 0;
    os = sqlite3_vfs_find(NULL);
    vfs = *os;
    vfs.pNext = NULL;
    vfs.zName = "faults";
    vfs.szOsFile = (int)sizeof(struct layer) + os->szOsFile;
    vfs.xOpen = layer_open;
    vfs.xDelete = layer_delete;
    sqlite3_vfs_register(&vfs, 1);
}

void db_faults_off(void)
{
    sqlite3_vfs_unregister(&vfs);
    sqlite3_vfs_register(os, 1);
}

long db_faults_log_syncs(void)
{
    return log_syncs;
}
