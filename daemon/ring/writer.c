// SPDX-License-Identifier: Apache-2.0
/*
 * writer.c - takes chunks, appends them, syncs when due.
 */
#include "writer.h"

#include "monotonic.h"

#include <errno.h>
#include <pthread.h>
#include <signal.h>
#include <stdlib.h>
#include <time.h>

#define URGENT_INTERVAL_NS 250000000
#define RETRY_NS           1000000000
#define IDLE_MS            60000 /* nothing unsynced: only a chunk or a wake can matter */

struct writer {
    struct memory_ring *memory;
    struct disk_ring *disk;
    int64_t interval_ns;
    pthread_t thread;

    /* The writer's thread only. */
    bool dirty;             /* something appended is not durable, */
    int64_t dirty_since_ns; /*   since then */
    int64_t not_before_ns;  /* a sync failed: the next one then */

    pthread_mutex_t lock; /* for what follows */
    pthread_cond_t changed;
    bool urgent, stopping;
    uint64_t wanted;   /* flush up to this number of the memory ring */
    uint64_t durable;  /* all up to this number is durable */
    uint64_t failures; /* of append or sync, and the last one's error */
    int error;
};

static void note_failure(struct writer *writer, int error) {
    pthread_mutex_lock(&writer->lock);
    writer->failures++;
    writer->error = error;
    pthread_cond_broadcast(&writer->changed);
    pthread_mutex_unlock(&writer->lock);
}

/* Waits a while before the disk is tried again; false when the writer is to stop. */
static bool wait_to_retry(struct writer *writer) {
    struct timespec deadline = monotonic_in(RETRY_NS);
    pthread_mutex_lock(&writer->lock);
    while (!writer->stopping &&
           pthread_cond_timedwait(&writer->changed, &writer->lock, &deadline) != ETIMEDOUT)
        ;
    bool go_on = !writer->stopping;
    pthread_mutex_unlock(&writer->lock);
    return go_on;
}

/* Appends `chunk` however long it takes; when stopping, drops what is not taken at once. */
static void write_chunk(struct writer *writer, struct chunk *chunk) {
    int error;
    while ((error = disk_ring_append(writer->disk, chunk)) < 0) {
        note_failure(writer, error);
        if (!wait_to_retry(writer)) {
            error = disk_ring_append(writer->disk, chunk);
            break;
        }
    }
    if (error)
        disk_ring_drop(writer->disk, chunk);
    if (!writer->dirty) {
        writer->dirty = true;
        writer->dirty_since_ns = monotonic_ns();
    }
    chunk_done(chunk);
}

/* Nothing is in hand here, so what has left the memory ring has been appended: now it is durable.
 */
static void sync_disk(struct writer *writer) {
    int error = disk_ring_sync(writer->disk);
    if (error) {
        writer->not_before_ns = monotonic_ns() + RETRY_NS;
        note_failure(writer, error);
        return;
    }
    writer->dirty = false;
    uint64_t through = memory_ring_state(writer->memory).taken_through;
    pthread_mutex_lock(&writer->lock);
    writer->durable = through;
    pthread_cond_broadcast(&writer->changed);
    pthread_mutex_unlock(&writer->lock);
}

static bool flush_due(struct writer *writer) {
    uint64_t through = memory_ring_state(writer->memory).taken_through;
    pthread_mutex_lock(&writer->lock);
    bool due = writer->wanted > writer->durable && writer->wanted <= through;
    pthread_mutex_unlock(&writer->lock);
    return due;
}

/* Nanoseconds until a sync is due, 0: now; INT64_MAX: nothing to sync. `drained`: no chunk waits.
 */
static int64_t sync_due_in(struct writer *writer, bool drained) {
    pthread_mutex_lock(&writer->lock);
    bool urgent = writer->urgent;
    pthread_mutex_unlock(&writer->lock);
    int64_t now = monotonic_ns();
    int64_t due;
    if (flush_due(writer) || (writer->dirty && urgent && drained))
        due = now;
    else if (!writer->dirty)
        return INT64_MAX;
    else
        due = writer->dirty_since_ns + (urgent && writer->interval_ns > URGENT_INTERVAL_NS
                                            ? URGENT_INTERVAL_NS
                                            : writer->interval_ns);
    if (due < writer->not_before_ns)
        due = writer->not_before_ns;
    return due > now ? due - now : 0;
}

static bool stop_wanted(struct writer *writer) {
    pthread_mutex_lock(&writer->lock);
    bool stopping = writer->stopping;
    pthread_mutex_unlock(&writer->lock);
    return stopping;
}

static void *run(void *context) {
    struct writer *writer = context;
    for (bool drained = false;;) {
        int64_t due_ns = sync_due_in(writer, drained);
        if (due_ns == 0) {
            sync_disk(writer);
            continue;
        }
        int64_t due_ms = due_ns < IDLE_MS * INT64_C(1000000) ? due_ns / 1000000 + 1 : IDLE_MS;
        struct chunk chunk = {0};
        if (memory_ring_take(writer->memory, &chunk, drained ? (int)due_ms : 0)) {
            drained = false;
            write_chunk(writer, &chunk);
        } else if (stop_wanted(writer)) {
            break;
        } else {
            drained = true;
        }
    }
    sync_disk(writer);
    return NULL;
}

int writer_start(struct memory_ring *memory, struct disk_ring *disk, double sync_interval_s,
                 struct writer **writer) {
    struct writer *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    made->memory = memory;
    made->disk = disk;
    made->interval_ns = (int64_t)(sync_interval_s * 1e9);
    pthread_mutex_init(&made->lock, NULL);
    pthread_condattr_t monotonic;
    pthread_condattr_init(&monotonic);
    pthread_condattr_setclock(&monotonic, CLOCK_MONOTONIC);
    pthread_cond_init(&made->changed, &monotonic);
    pthread_condattr_destroy(&monotonic);

    /* Signals are for the program's main thread; SIGXFSZ must not kill us at a file size limit. */
    sigset_t all, before;
    sigfillset(&all);
    pthread_sigmask(SIG_SETMASK, &all, &before);
    int error = -pthread_create(&made->thread, NULL, run, made);
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    if (error) {
        pthread_cond_destroy(&made->changed);
        pthread_mutex_destroy(&made->lock);
        free(made);
        return error;
    }
    *writer = made;
    return 0;
}

void writer_urgent(struct writer *writer, bool urgent) {
    pthread_mutex_lock(&writer->lock);
    writer->urgent = urgent;
    pthread_mutex_unlock(&writer->lock);
    if (urgent)
        memory_ring_wake(writer->memory);
}

int writer_flush(struct writer *writer, int timeout_ms) {
    struct timespec deadline = monotonic_in(timeout_ms * INT64_C(1000000));
    uint64_t target = memory_ring_state(writer->memory).chunks_put;
    pthread_mutex_lock(&writer->lock);
    if (writer->wanted < target)
        writer->wanted = target;
    pthread_mutex_unlock(&writer->lock);
    memory_ring_wake(writer->memory);

    pthread_mutex_lock(&writer->lock);
    uint64_t failures = writer->failures;
    int result = 0;
    while (!result && writer->durable < target) {
        if (writer->failures != failures)
            result = writer->error;
        else if (pthread_cond_timedwait(&writer->changed, &writer->lock, &deadline) == ETIMEDOUT)
            result = -ETIMEDOUT;
    }
    if (writer->durable >= target)
        result = 0;
    pthread_mutex_unlock(&writer->lock);
    return result;
}

void writer_stop(struct writer *writer) {
    if (!writer)
        return;
    pthread_mutex_lock(&writer->lock);
    writer->stopping = true;
    pthread_cond_broadcast(&writer->changed);
    pthread_mutex_unlock(&writer->lock);
    memory_ring_close(writer->memory);
    pthread_join(writer->thread, NULL);
    pthread_cond_destroy(&writer->changed);
    pthread_mutex_destroy(&writer->lock);
    free(writer);
}
