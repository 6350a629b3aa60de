// SPDX-License-Identifier: Apache-2.0
/*
 * snapshot_jobs.h - what the files of the snapshots' thread share: the snapshots that are asked
 * for, from inside. Private to snapshot.
 */
#ifndef CRANKTRAP_SNAPSHOT_JOBS_H
#define CRANKTRAP_SNAPSHOT_JOBS_H

#include "snapshot.h"
#include "snapshot_note.h"
#include "snapshot_part.h"

#include <pthread.h>

#define MILLISECOND 1000000 /* ns */

struct snapshot_job {
    struct snapshot_job *next;
    struct snapshot_note note;
    struct snapshot_part *part; /* finishes this one; NULL: out of the ring */
    bool restart;               /* its stretch begins earlier now: copying must begin again */
    bool closed;                /* is not lengthened any more */
    bool done;
    int result;
};

struct snapshots {
    char *folder;
    struct disk_ring *ring;
    struct timebase *timebase;
    struct snapshot_tap tap;
    pthread_t thread;

    /* The thread only: whether the time moves. */
    int64_t seen_elapsed_ns, seen_at_ns, over_at_ns;

    pthread_mutex_t lock; /* of all below */
    struct snapshot_settings settings;
    pthread_cond_t wake;       /* for the thread */
    pthread_cond_t finished;   /* for those who wait */
    struct snapshot_job *jobs; /* oldest first; done ones stay for a while */
    size_t job_count;
    unsigned highest; /* number given */
    bool ending;
    struct snapshot_state state;
};

/* Any thread, without the lock. What went wrong: to the state, and to the tap. */
void snapshots_say(struct snapshots *snapshots, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

#endif
