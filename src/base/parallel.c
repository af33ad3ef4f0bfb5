#define _GNU_SOURCE /* sched_getaffinity */
#include "base/parallel.h"

#include <pthread.h>
#include <sched.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <unistd.h>

enum { MOST_THREADS = 8 };

struct job {
    size_t n;
    atomic_size_t next;
    void (*work)(void *context, size_t i);
    void *context;
};

static void *take_items(void *argument)
{
    struct job *job = argument;

    for (;;) {
        size_t i = atomic_fetch_add(&job->next, 1);

        if (i >= job->n)
            return NULL;
        job->work(job->context, i);
    }
}

/* Cores that this process may run on, which a container or taskset may have made fewer than there are. */
static size_t n_cores(void)
{
    cpu_set_t cores;
    long n = sysconf(_SC_NPROCESSORS_ONLN);

    if (sched_getaffinity(0, sizeof cores, &cores) == 0)
        n = CPU_COUNT(&cores);
    return n > 0 ? (size_t)n : 1;
}

void parallel_run(size_t n, size_t n_threads, void (*work)(void *context, size_t i), void *context)
{
    struct job job = {.n = n, .work = work, .context = context};
    pthread_t threads[MOST_THREADS];
    size_t n_started = 0;

    if (n_threads == 0)
        n_threads = n_cores();
    if (n_threads > MOST_THREADS)
        n_threads = MOST_THREADS;
    if (n_threads > n)
        n_threads = n;
    atomic_init(&job.next, 0);
    while (n_started + 1 < n_threads && pthread_create(&threads[n_started], NULL, take_items, &job) == 0)
        n_started++;
    (void)take_items(&job);
    for (size_t i = 0; i < n_started; i++)
        (void)pthread_join(threads[i], NULL);
}
