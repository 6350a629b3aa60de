// SPDX-License-Identifier: Apache-2.0
/*
 * workers.c - threads that take jobs from one queue.
 */
#include "workers.h"

#include <errno.h>
#include <pthread.h>
#include <stdbool.h>
#include <stdlib.h>
#include <sys/resource.h>
#include <unistd.h>

#define WAITING_MAX 32
#define THREADS_MAX 8

struct job {
    void (*work)(void *context);
    void *context;
};

struct workers {
    pthread_mutex_t lock;
    pthread_cond_t wake;
    bool ending;
    struct job waiting[WAITING_MAX];
    size_t first, count;
    pthread_t thread[THREADS_MAX];
    size_t threads;
};

static void *worker_thread(void *argument) {
    struct workers *workers = argument;
    (void)setpriority(PRIO_PROCESS, (id_t)gettid(), 10);
    pthread_mutex_lock(&workers->lock);
    for (;;) {
        while (!workers->count && !workers->ending)
            pthread_cond_wait(&workers->wake, &workers->lock);
        if (!workers->count)
            break;
        struct job job = workers->waiting[workers->first];
        workers->first = (workers->first + 1) % WAITING_MAX;
        workers->count--;
        pthread_mutex_unlock(&workers->lock);
        job.work(job.context);
        pthread_mutex_lock(&workers->lock);
    }
    pthread_mutex_unlock(&workers->lock);
    return NULL;
}

int workers_start(size_t threads, struct workers **workers) {
    struct workers *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    pthread_mutex_init(&made->lock, NULL);
    pthread_cond_init(&made->wake, NULL);
    for (; made->threads < threads && made->threads < THREADS_MAX; made->threads++) {
        int result = -pthread_create(&made->thread[made->threads], NULL, worker_thread, made);
        if (result) {
            workers_stop(made);
            workers_free(made);
            return result;
        }
    }
    *workers = made;
    return 0;
}

int workers_put(struct workers *workers, void (*work)(void *context), void *context) {
    pthread_mutex_lock(&workers->lock);
    bool room = workers->count < WAITING_MAX && !workers->ending;
    if (room) {
        size_t last = (workers->first + workers->count++) % WAITING_MAX;
        workers->waiting[last] = (struct job){work, context};
        pthread_cond_signal(&workers->wake);
    }
    pthread_mutex_unlock(&workers->lock);
    return room ? 0 : -EBUSY;
}

void workers_stop(struct workers *workers) {
    if (!workers)
        return;
    pthread_mutex_lock(&workers->lock);
    workers->ending = true;
    pthread_cond_broadcast(&workers->wake);
    pthread_mutex_unlock(&workers->lock);
    for (size_t i = 0; i < workers->threads; i++)
        pthread_join(workers->thread[i], NULL);
}

void workers_free(struct workers *workers) {
    if (!workers)
        return;
    pthread_cond_destroy(&workers->wake);
    pthread_mutex_destroy(&workers->lock);
    free(workers);
}
