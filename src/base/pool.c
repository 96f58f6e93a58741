#include "base/pool.h"

#include <pthread.h>
#include <unistd.h>
#include <fcntl.h>

#include "base/mem.h"

struct job {
    struct pool *pool;
    pool_fn *work, *done;
    void *arg;
    bool finished; /* under the lock */
    sched_id due;  /* virtual clock: the call that will deliver it */
    struct job *next;
    struct job *next_open;
};

struct queue {
    struct job *first, **last;
};

struct pool {
    struct sched *sched;
    pthread_mutex_t lock;
    pthread_cond_t some_work, some_finished;
    struct queue waiting;
    struct queue finished; /* real clock: ended, done not called yet */
    struct job *open;      /* every job whose done is still to come; the scheduler's thread only */
    bool closing;          /* under the lock */
    int pending;
    int wake[2]; /* real clock: a byte for each finished job */
    int threads;
    pthread_t *thread;
};

static void put(struct queue *q, struct job *j)
{
    j->next = NULL;
    *q->last = j;
    q->last = &j->next;
}

static struct job *take(struct queue *q)
{
    struct job *j = q->first;
    if (!j) return NULL;
    q->first = j->next;
    if (!q->first) q->last = &q->first;
    return j;
}

static void *worker(void *arg)
{
    struct pool *p = arg;
    pthread_mutex_lock(&p->lock);
    for (;;) {
        struct job *j = take(&p->waiting);
        if (!j) {
            if (p->closing) break;
            pthread_cond_wait(&p->some_work, &p->lock);
            continue;
        }
        pthread_mutex_unlock(&p->lock);
        j->work(j->arg);
        pthread_mutex_lock(&p->lock);
        j->finished = true;
        pthread_cond_broadcast(&p->some_finished);
        if (!sched_is_virtual(p->sched)) {
            put(&p->finished, j);
            if (write(p->wake[1], "x", 1) <
                0) { /* the pipe is full: the reader has bytes enough to wake it */
            }
        }
    }
    pthread_mutex_unlock(&p->lock);
    return NULL;
}

static void end_job(struct pool *p, struct job *j)
{
    struct job **at = &p->open;
    while (*at != j)
        at = &(*at)->next_open;
    *at = j->next_open;
    p->pending--;
    if (j->done) j->done(j->arg);
    mem_free(j);
}

static void on_wake(void *arg)
{
    struct pool *p = arg;
    char drop[64];
    while (read(p->wake[0], drop, sizeof drop) > 0)
        ;
    for (;;) {
        pthread_mutex_lock(&p->lock);
        struct job *j = take(&p->finished);
        pthread_mutex_unlock(&p->lock);
        if (!j) return;
        end_job(p, j);
    }
}

static void on_due(void *arg)
{
    struct job *j = arg;
    struct pool *p = j->pool;
    pthread_mutex_lock(&p->lock);
    while (!j->finished)
        pthread_cond_wait(&p->some_finished, &p->lock);
    pthread_mutex_unlock(&p->lock);
    end_job(p, j);
}

struct pool *pool_new(struct sched *sched, int threads, struct err *why)
{
    struct pool *p = mem_new(1, sizeof *p, why);
    if (!p) return NULL;
    p->sched = sched;
    p->waiting.last = &p->waiting.first;
    p->finished.last = &p->finished.first;
    p->wake[0] = p->wake[1] = -1;
    pthread_mutex_init(&p->lock, NULL);
    pthread_cond_init(&p->some_work, NULL);
    pthread_cond_init(&p->some_finished, NULL);
    p->thread = mem_new((size_t)threads, sizeof *p->thread, why);
    if (!p->thread) goto undo;
    if (!sched_is_virtual(sched)) {
        if (pipe2(p->wake, O_CLOEXEC | O_NONBLOCK)) {
            fail_errno(why, E_IO, "cannot make a pipe");
            goto undo;
        }
        if (sched_watch(sched, p->wake[0], on_wake, p, why)) goto undo;
    }
    for (; p->threads < threads; p->threads++)
        if (pthread_create(&p->thread[p->threads], NULL, worker, p)) {
            fail(why, E_NOMEM, "cannot start a thread");
            goto undo;
        }
    return p;
undo:
    pool_free(p);
    return NULL;
}

int pool_submit(struct pool *p, pool_fn *work, pool_fn *done, void *arg, int64_t cost_us, struct err *why)
{
    struct job *j = mem_new(1, sizeof *j, why);
    if (!j) return E_NOMEM;
    *j = (struct job){.pool = p, .work = work, .done = done, .arg = arg, .next_open = p->open};
    p->open = j;
    p->pending++;
    if (sched_is_virtual(p->sched)) j->due = sched_at(p->sched, sched_now_us(p->sched) + cost_us, on_due, j);
    pthread_mutex_lock(&p->lock);
    put(&p->waiting, j);
    pthread_cond_signal(&p->some_work);
    pthread_mutex_unlock(&p->lock);
    return E_OK;
}

int pool_pending(const struct pool *p)
{
    return p->pending;
}

void pool_free(struct pool *p)
{
    if (!p) return;
    pthread_mutex_lock(&p->lock);
    p->closing = true;
    pthread_cond_broadcast(&p->some_work);
    pthread_mutex_unlock(&p->lock);
    for (int i = 0; i < p->threads; i++)
        pthread_join(p->thread[i], NULL);
    if (p->wake[0] >= 0) {
        sched_unwatch(p->sched, p->wake[0]);
        close(p->wake[0]);
        close(p->wake[1]);
    }
    for (struct job *j = p->open, *next; j; j = next) {
        next = j->next_open;
        sched_cancel(p->sched, j->due);
        mem_free(j);
    }
    pthread_cond_destroy(&p->some_work);
    pthread_cond_destroy(&p->some_finished);
    pthread_mutex_destroy(&p->lock);
    mem_free(p->thread);
    mem_free(p);
}
