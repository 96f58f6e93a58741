#include "sim/crew.h"

#include <pthread.h>
#include <stdatomic.h>

#define CREW_MOST 16

struct crew {
    crew_fn *fn;
    void *arg;
    int jobs;
    atomic_int next;
    pthread_mutex_t lock; /* of what follows */
    int failed_job, rc;
    struct err err;
};

static void *work(void *arg)
{
    struct crew *c = arg;
    for (int job; (job = atomic_fetch_add(&c->next, 1)) < c->jobs;) {
        struct err why = {0};
        int rc = c->fn(c->arg, job, &why);
        if (!rc) continue;
        pthread_mutex_lock(&c->lock);
        if (!c->rc || job < c->failed_job) {
            c->rc = rc;
            c->err = why;
            c->failed_job = job;
        }
        pthread_mutex_unlock(&c->lock);
    }
    return NULL;
}

int crew_run(crew_fn *fn, void *arg, int jobs, int threads, struct err *why)
{
    struct crew c = {.fn = fn, .arg = arg, .jobs = jobs, .lock = PTHREAD_MUTEX_INITIALIZER};
    pthread_t helper[CREW_MOST];
    int helpers = 0;
    if (threads > CREW_MOST) threads = CREW_MOST;
    while (helpers < threads - 1 && helpers < jobs - 1 &&
           pthread_create(&helper[helpers], NULL, work, &c) == 0)
        helpers++;
    work(&c);
    for (int i = 0; i < helpers; i++)
        pthread_join(helper[i], NULL);
    pthread_mutex_destroy(&c.lock);
    if (c.rc && why) *why = c.err;
    return c.rc;
}
