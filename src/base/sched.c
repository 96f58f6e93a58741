#include "base/sched.h"

#include <errno.h>
#include <poll.h>
#include <time.h>

#include "base/mem.h"

#define WATCHES_MOST 32

struct call {
    int64_t at_us;
    sched_id id;
    sched_fn *fn;
    void *arg;
};

struct watch {
    int fd;
    sched_fn *fn;
    void *arg;
};

struct sched {
    bool is_virtual;
    int64_t now_us;                       /* virtual clock only */
    int64_t began_us;                     /* CLOCK_MONOTONIC at the start; virtual: 0 */
    int64_t boot_began_us, wall_began_us; /* CLOCK_BOOTTIME, CLOCK_REALTIME at the start */
    int64_t slept_us, set_us;             /* virtual clock only: see sched_upset */
    sched_id last_id;
    struct call *heap; /* the earliest call is heap[0] */
    size_t count, room;
    struct watch watches[WATCHES_MOST];
    int watch_count;
    bool (*pass)(void *arg, struct sched *, int64_t to_us);
    void *pass_arg;
};

/* What the machine's clock shows; virtual: what it would show. */
static int64_t clock_us(const struct sched *s, clockid_t which)
{
    if (s->is_virtual && which == CLOCK_MONOTONIC) return s->now_us;
    if (s->is_virtual && which == CLOCK_BOOTTIME) return s->now_us + s->slept_us;
    if (s->is_virtual) return SCHED_VIRTUAL_START_US + s->now_us + s->slept_us + s->set_us;
    struct timespec ts;
    clock_gettime(which, &ts);
    return (int64_t)ts.tv_sec * 1000000 + ts.tv_nsec / 1000;
}

static struct sched *sched_new(bool is_virtual, struct err *why)
{
    struct sched *s = mem_new(1, sizeof *s, why);
    if (!s) return NULL;
    s->is_virtual = is_virtual;
    s->began_us = clock_us(s, CLOCK_MONOTONIC);
    s->boot_began_us = clock_us(s, CLOCK_BOOTTIME);
    s->wall_began_us = clock_us(s, CLOCK_REALTIME);
    s->room = 64;
    s->heap = mem_new(s->room, sizeof *s->heap, why);
    if (!s->heap) {
        mem_free(s);
        return NULL;
    }
    return s;
}

struct sched *sched_new_virtual(struct err *why)
{
    return sched_new(true, why);
}

struct sched *sched_new_real(struct err *why)
{
    return sched_new(false, why);
}

void sched_free(struct sched *s)
{
    if (!s) return;
    mem_free(s->heap);
    mem_free(s);
}

bool sched_is_virtual(const struct sched *s)
{
    return s->is_virtual;
}

int64_t sched_now_us(const struct sched *s)
{
    return clock_us(s, CLOCK_MONOTONIC) - s->began_us;
}

int64_t sched_began_us(const struct sched *s)
{
    return s->began_us;
}

int64_t sched_wall_us(const struct sched *s)
{
    return s->wall_began_us + clock_us(s, CLOCK_BOOTTIME) - s->boot_began_us;
}

int64_t sched_slept_us(const struct sched *s)
{
    int64_t slept = clock_us(s, CLOCK_BOOTTIME) - s->boot_began_us - sched_now_us(s);
    return slept > 0 ? slept : 0;
}

int64_t sched_clock_set_us(const struct sched *s)
{
    return clock_us(s, CLOCK_REALTIME) - sched_wall_us(s);
}

void sched_upset(struct sched *s, int64_t slept_us, int64_t set_us)
{
    s->slept_us += slept_us;
    s->set_us += set_us;
}

static bool before(const struct call *a, const struct call *b)
{
    return a->at_us != b->at_us ? a->at_us < b->at_us : a->id < b->id;
}

static void sift_up(struct sched *s, size_t i)
{
    struct call c = s->heap[i];
    for (; i > 0 && before(&c, &s->heap[(i - 1) / 2]); i = (i - 1) / 2)
        s->heap[i] = s->heap[(i - 1) / 2];
    s->heap[i] = c;
}

static void sift_down(struct sched *s, size_t i)
{
    struct call c = s->heap[i];
    for (;;) {
        size_t child = 2 * i + 1;
        if (child >= s->count) break;
        if (child + 1 < s->count && before(&s->heap[child + 1], &s->heap[child])) child++;
        if (!before(&s->heap[child], &c)) break;
        s->heap[i] = s->heap[child];
        i = child;
    }
    s->heap[i] = c;
}

static void take_out(struct sched *s, size_t i)
{
    s->count--;
    if (i == s->count) return;
    s->heap[i] = s->heap[s->count];
    sift_up(s, i);
    sift_down(s, i);
}

sched_id sched_at(struct sched *s, int64_t at_us, sched_fn *fn, void *arg)
{
    if (s->count == s->room) {
        struct call *more = mem_grow(s->heap, s->room, s->room * 2, sizeof *more, NULL);
        if (!more) return 0;
        s->heap = more;
        s->room *= 2;
    }
    int64_t now = sched_now_us(s);
    s->heap[s->count] = (struct call){at_us < now ? now : at_us, ++s->last_id, fn, arg};
    sift_up(s, s->count++);
    return s->last_id;
}

void sched_cancel(struct sched *s, sched_id id)
{
    for (size_t i = 0; i < s->count; i++) {
        if (s->heap[i].id != id) continue;
        take_out(s, i);
        return;
    }
}

int sched_watch(struct sched *s, int fd, sched_fn *fn, void *arg, struct err *why)
{
    if (s->is_virtual) return fail(why, E_UNSUPPORTED, "a virtual clock cannot wait for a descriptor");
    if (s->watch_count == WATCHES_MOST)
        return fail(why, E_NOMEM, "more than %d descriptors to wait for", WATCHES_MOST);
    s->watches[s->watch_count++] = (struct watch){fd, fn, arg};
    return E_OK;
}

void sched_unwatch(struct sched *s, int fd)
{
    for (int i = 0; i < s->watch_count; i++)
        if (s->watches[i].fd == fd) {
            s->watches[i] = s->watches[--s->watch_count];
            return;
        }
}

static void run_first(struct sched *s)
{
    struct call c = s->heap[0];
    take_out(s, 0);
    c.fn(c.arg);
}

void sched_pass_with(struct sched *s, bool (*pass)(void *arg, struct sched *, int64_t to_us), void *arg)
{
    s->pass = pass;
    s->pass_arg = arg;
}

static bool step_virtual(struct sched *s, int64_t deadline_us)
{
    int64_t to_us = s->count && s->heap[0].at_us < deadline_us ? s->heap[0].at_us : deadline_us;
    if (s->pass && s->pass(s->pass_arg, s, to_us)) return true;
    if (s->count && s->heap[0].at_us <= deadline_us) {
        s->now_us = s->heap[0].at_us;
        run_first(s);
        return true;
    }
    if (deadline_us != SCHED_NEVER && deadline_us > s->now_us) s->now_us = deadline_us;
    return false;
}

static int wait_for(struct pollfd *fds, int count, int64_t now_us, int64_t until_us)
{
    int64_t us = until_us - now_us;
    struct timespec most = {.tv_sec = us / 1000000, .tv_nsec = us % 1000000 * 1000};
    return ppoll(fds, (nfds_t)count, until_us == SCHED_NEVER ? NULL : &most, NULL);
}

static bool step_real(struct sched *s, int64_t deadline_us)
{
    for (;;) {
        int64_t now = sched_now_us(s);
        if (s->count && s->heap[0].at_us <= now) {
            run_first(s);
            return true;
        }
        if (now >= deadline_us) return false;
        int64_t until = s->count && s->heap[0].at_us < deadline_us ? s->heap[0].at_us : deadline_us;
        struct pollfd fds[WATCHES_MOST];
        int n = s->watch_count;
        for (int i = 0; i < n; i++)
            fds[i] = (struct pollfd){.fd = s->watches[i].fd, .events = POLLIN};
        int ready = wait_for(fds, n, now, until);
        if (ready < 0 && errno == EINTR) return true;
        for (int i = 0; ready > 0 && i < n; i++) {
            if (!fds[i].revents) continue;
            struct watch w = s->watches[i];
            w.fn(w.arg);
            return true;
        }
    }
}

bool sched_step(struct sched *s, int64_t deadline_us)
{
    return s->is_virtual ? step_virtual(s, deadline_us) : step_real(s, deadline_us);
}
