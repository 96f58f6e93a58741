#include "tests/support/emulated_stack.h"

#include <dirent.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "base/fs.h"
#include "base/mem.h"
#include "store/store.h"
#include "tests/support/shell.h"
#include "tests/support/test.h"

#define UM_PER_COUNT 10
#define LOOK_MS      20
#define STILL_S      60 /* for so long nothing happens to the camera: the program hangs */
#define NEAR_COUNTS  0

static const char *path_of(const struct emulated_job *j, const char *name, char room[600])
{
    snprintf(room, 600, "%s/%s%s%s", test_folder(), j->folder, name[0] ? "/" : "", name);
    return room;
}

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

/* ---- before */

struct ptp_camera_opts emulated_camera(const struct emulated_job *j)
{
    struct ptp_camera_opts o = j->camera;
    o.family = j->family;
    if (!o.ready_us) o.ready_us = 10000;
    if (!o.lens_us_a_count) o.lens_us_a_count = -1;
    if (!o.lens_hi) o.lens_lo = -20000, o.lens_hi = 20000;
    if (!o.lens_play) o.lens_play = j->backlash_counts;
    if (!o.scene.right) { /* sharp somewhere in every slice */
        o.scene.left = NEAR_COUNTS - 3 * j->spacing_counts;
        o.scene.right = NEAR_COUNTS + (j->slices + 3) * j->spacing_counts;
    }
    return o;
}

void emulated_write(const struct emulated_job *j, const struct ptp_ip *ip)
{
    char room[600];
    assert_int_equal(mkdir(path_of(j, "", room), 0755), 0);
    assert_int_equal(mkdir(path_of(j, "home", room), 0755), 0);
    FILE *f = fopen(path_of(j, "bench.yaml", room), "w");
    assert_non_null(f);
    fprintf(f,
            "camera: {kind: tethered, port: 'ptpip:127.0.0.1:%d:%d', width_px: 160, height_px: 120, "
            "sensor_width_mm: 24}\n"
            "axis: {kind: lens, um_per_count: %d, backlash_counts: %d%s}\n"
            "lens: {focal_length_mm: 90, f_number: 5.6}\n",
            ptp_ip_port(ip), ptp_ip_port(ip), UM_PER_COUNT, (int)j->backlash_counts,
            j->family == PTP_NAMED_SIZES ? ", size_counts: '6, 30', rest_ms: 2" : "");
    fclose(f);
    f = fopen(path_of(j, "job.yaml", room), "w");
    assert_non_null(f);
    fprintf(f,
            "bench: bench.yaml\nmagnification: 1\ndepth_mm: %.3f\nslices: %d\nexposure_s: 0.002\n"
            "settle_ms: 5\nstart_delay_s: 0\n",
            (j->slices - 1) * j->spacing_counts * UM_PER_COUNT / 1000.0, (int)j->slices);
    fclose(f);
}

/* ---- the program */

static int start(const struct emulated_job *j, const char *verb)
{
    char dir[600], home[600];
    path_of(j, "", dir);
    if (j->home)
        snprintf(home, sizeof home, "%s", j->home);
    else
        path_of(j, "home", home);
    const char *program = staddle_program(); /* before the folder changes */
    const int pid = fork();
    assert_true(pid >= 0);
    if (pid) return pid;
    const int out = open(path_of(j, "said", (char[600]){0}), O_WRONLY | O_CREAT | O_APPEND, 0644);
    if (out < 0 || chdir(dir) || dup2(out, 1) < 0 || dup2(out, 2) < 0 || setenv("HOME", home, 1)) _exit(99);
    if (!strcmp(verb, "run"))
        execl(program, "staddle", "run", "job.yaml", "--stack", "s", (char *)NULL);
    else
        execl(program, "staddle", verb, "s", (char *)NULL);
    _exit(98);
}

void emulated_said(const struct emulated_job *j, char out[EMULATED_SAID])
{
    char room[600];
    uint8_t *bytes;
    size_t count;
    out[0] = '\0';
    if (fs_read(path_of(j, "said", room), 1 << 24, &bytes, &count, NULL)) return;
    const size_t n = count < EMULATED_SAID - 1 ? count : EMULATED_SAID - 1;
    memcpy(out, bytes + count - n, n);
    out[n] = '\0';
    mem_free(bytes);
}

/* Grows with every release and every move of the lens. */
static int32_t events_of(struct ptp_ip *ip)
{
    const struct ptp_camera *c = ptp_ip_lock(ip);
    const int32_t events = c->release_count + c->move_count;
    ptp_ip_unlock(ip);
    return events;
}

int emulated_run(const struct emulated_job *j, struct ptp_ip *ip, const char *verb, struct emulated_result *r)
{
    const double begun_s = now_s();
    const int pid = start(j, verb);
    int status = 0, ended;
    int32_t events = -1, before;
    double still_s = begun_s;
    while ((ended = waitpid(pid, &status, WNOHANG)) == 0) {
        if (j->while_running) j->while_running(j->arg, pid);
        before = events;
        events = events_of(ip);
        if (events != before) still_s = now_s();
        if (now_s() - still_s > STILL_S) {
            kill(pid, SIGKILL);
            waitpid(pid, &status, 0);
            break;
        }
        poll(NULL, 0, LOOK_MS);
    }
    r->seconds += now_s() - begun_s;
    emulated_said(j, r->said);
    return WIFEXITED(status) ? WEXITSTATUS(status) : 200;
}

static int parent_of(int pid, char *name, size_t room)
{
    char path[64], state;
    int parent = 0;
    snprintf(path, sizeof path, "/proc/%d/stat", pid);
    FILE *f = fopen(path, "r");
    if (!f) return 0;
    if (fscanf(f, "%*d (%31[^)]) %c %d", name, &state, &parent) != 3) parent = 0;
    (void)room;
    fclose(f);
    return parent;
}

int emulated_program(int parent)
{
    DIR *d = opendir("/proc");
    int found = 0;
    assert_non_null(d);
    for (struct dirent *e; (e = readdir(d));) {
        char name[32] = "", above[32] = "";
        const int pid = atoi(e->d_name), by = pid > 0 ? parent_of(pid, name, sizeof name) : 0;
        if (by <= 0 || strcmp(name, "staddle-camera") != 0) continue;
        if (by == parent || (!parent && parent_of(by, above, sizeof above) == getpid())) found = pid;
    }
    closedir(d);
    return found;
}

/* ---- after */

static const struct ptp_object *object_with(const struct ptp_camera *c, const uint8_t *bytes, size_t count)
{
    for (int32_t i = 0; i < c->object_count; i++)
        if (c->objects[i].bytes && c->objects[i].count == count && !memcmp(c->objects[i].bytes, bytes, count))
            return &c->objects[i];
    return NULL;
}

/* From where the first slice was: by how much the lens was off when it was focused by eye, within its play,
 * is the same for all. */
static int32_t distance(const struct emulated_job *j, const struct exposure_row *e, int32_t lens_at,
                        int32_t first)
{
    if (e->purpose == PURPOSE_CLOSING) return abs(lens_at - first);
    if (e->purpose == PURPOSE_STACK) return abs(lens_at - first - (e->slice - 1) * j->spacing_counts);
    const int32_t past = (lens_at - first) % j->spacing_counts; /* to compare with any slice */
    return abs(past) < j->spacing_counts - abs(past) ? abs(past) : j->spacing_counts - abs(past);
}

static int32_t lens_of(const struct ptp_camera *c, const struct exposure_row *e)
{
    for (int32_t i = 0; i < c->object_count; i++)
        if (strstr(e->object_name, c->objects[i].name)) return c->releases[c->objects[i].release - 1].lens_at;
    return 0;
}

static void verify_one(const struct emulated_job *j, const struct ptp_camera *c, struct store *st,
                       const struct exposure_row *e, bool *used, struct emulated_result *r)
{
    char room[600], name[300];
    struct file_row *files;
    int32_t count;
    uint8_t *bytes;
    size_t size;
    assert_int_equal(store_files(st, e->id, &files, &count, NULL), 0);
    assert_int_equal(count, 1);
    snprintf(name, sizeof name, "s/frames/%.250s", files[0].name);
    assert_int_equal(fs_read(path_of(j, name, room), 1 << 24, &bytes, &size, NULL), 0);
    const struct ptp_object *o = object_with(c, bytes, size);
    if (!o) fail_msg("%s: %s is no object of the camera", j->folder, files[0].name);
    if (used[o->release]) fail_msg("%s: release %d is kept twice", j->folder, (int)o->release);
    used[o->release] = true;
    const int32_t off = distance(j, e, c->releases[o->release - 1].lens_at, r->first_at);
    if (off > r->off_most) r->off_most = off;
    mem_free(bytes);
    mem_free(files);
}

void emulated_verify(const struct emulated_job *j, struct ptp_ip *ip, struct emulated_result *r)
{
    static bool used[PTP_RELEASES_MOST + 1];
    char room[600];
    struct store *st;
    struct exposure_row *rows;
    struct err why;
    int32_t count, closing = 0;
    memset(used, 0, sizeof used);
    r->kept = r->references = 0;
    if (store_open(path_of(j, "s", room), true, &st, &why)) fail_msg("%s: %s", j->folder, why.text);
    assert_int_equal(store_exposures(st, &rows, &count, NULL), 0);
    const struct ptp_camera *c = ptp_ip_lock(ip);
    for (int32_t i = 0; i < count; i++)
        if (rows[i].state == EXPOSURE_KEPT && rows[i].purpose == PURPOSE_STACK && rows[i].slice == 1)
            r->first_at = lens_of(c, &rows[i]);
    for (int32_t i = 0; i < count; i++) {
        if (rows[i].state != EXPOSURE_KEPT) continue;
        verify_one(j, c, st, &rows[i], used, r);
        r->kept += rows[i].purpose == PURPOSE_STACK;
        closing += rows[i].purpose == PURPOSE_CLOSING;
        r->references += rows[i].purpose == PURPOSE_REFERENCE;
    }
    r->releases = c->release_count;
    ptp_ip_unlock(ip);
    r->extra = r->releases - r->kept - closing - r->references;
    mem_free(rows);
    store_close(st);
    if (r->kept != j->slices + 4 || closing != 1)
        fail_msg("%s: %d of %d slices and %d closing frames kept: %s", j->folder, (int)r->kept,
                 (int)j->slices + 4, (int)closing, r->said);
}

void emulated_shoot(const struct emulated_job *j, struct emulated_result *r)
{
    const struct ptp_camera_opts camera = emulated_camera(j);
    struct ptp_ip *ip = ptp_ip_start(&camera);
    *r = (struct emulated_result){.resumed = -1};
    emulated_write(j, ip);
    r->exit = emulated_run(j, ip, "run", r);
    if (r->exit == 3 || r->exit == 4) r->resumed = emulated_run(j, ip, "resume", r);
    if (r->exit && r->resumed) fail_msg("%s: ended with %d, %d: %s", j->folder, r->exit, r->resumed, r->said);
    emulated_verify(j, ip, r);
    ptp_ip_stop(ip);
}
