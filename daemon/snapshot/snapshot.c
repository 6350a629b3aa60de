// SPDX-License-Identifier: Apache-2.0
/*
 * snapshot.c - requests, merging, and the thread that saves one snapshot after the other.
 */
#include "snapshot.h"

#include "monotonic.h"
#include "snapshot_folder.h"
#include "snapshot_jobs.h"
#include "snapshot_room.h"
#include "snapshot_save.h"

#include <errno.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

/* Results of finished ones are remembered for snapshots_wait(). */
#define RESULTS_MAX 256

void snapshots_say(struct snapshots *snapshots, const char *format, ...) {
    char text[sizeof snapshots->state.last_problem];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    pthread_mutex_lock(&snapshots->lock);
    memcpy(snapshots->state.last_problem, text, sizeof text);
    pthread_mutex_unlock(&snapshots->lock);
    if (snapshots->tap.problem)
        snapshots->tap.problem(snapshots->tap.context, text);
}

/* ---- the thread ---- */

/* Under the lock: forgets results that nobody will ask for any more. */
static void forget_oldest(struct snapshots *snapshots) {
    while (snapshots->job_count > RESULTS_MAX && snapshots->jobs->done) {
        struct snapshot_job *job = snapshots->jobs;
        snapshots->jobs = job->next;
        snapshots->job_count--;
        snapshot_note_done(&job->note);
        free(job);
    }
}

static void job_finished(struct snapshots *snapshots, struct snapshot_job *job, int result) {
    unsigned number = job->note.number;
    snapshot_part_free(job->part);
    snapshot_room_count(snapshots);
    pthread_mutex_lock(&snapshots->lock);
    job->part = NULL;
    job->closed = true;
    job->done = true;
    job->result = result;
    snapshots->state.saving = false;
    if (result == 0)
        snapshots->state.saved++;
    else
        snapshots->state.failed++;
    if (result == -ENOSPC || result == -EDQUOT)
        snapshots->state.room = false;
    forget_oldest(snapshots);
    pthread_cond_broadcast(&snapshots->finished);
    pthread_mutex_unlock(&snapshots->lock);
    char *path = snapshot_folder_path(snapshots->folder, number, SNAPSHOT_SUFFIX);
    if (result == 0 && path && snapshots->tap.finished)
        snapshots->tap.finished(snapshots->tap.context, number, path);
    free(path);
}

static void *snapshot_thread(void *argument) {
    struct snapshots *snapshots = argument;
    pthread_mutex_lock(&snapshots->lock);
    for (;;) {
        struct snapshot_job *job = snapshots->jobs;
        while (job && job->done)
            job = job->next;
        if (!job && snapshots->ending)
            break;
        if (!job) {
            pthread_cond_wait(&snapshots->wake, &snapshots->lock);
            continue;
        }
        snapshots->state.saving = true;
        pthread_mutex_unlock(&snapshots->lock);
        int result = job->part ? snapshot_save_part(snapshots, job) : snapshot_save(snapshots, job);
        job_finished(snapshots, job, result);
        pthread_mutex_lock(&snapshots->lock);
    }
    pthread_mutex_unlock(&snapshots->lock);
    return NULL;
}

/* ---- starting and ending ---- */

static void add_job(struct snapshots *snapshots, struct snapshot_job *job) {
    struct snapshot_job **last = &snapshots->jobs;
    while (*last)
        last = &(*last)->next;
    *last = job;
    snapshots->job_count++;
}

/* Unfinished snapshots of an earlier process become the first jobs. */
static int take_over_part(struct snapshots *snapshots, unsigned number) {
    struct snapshot_job *job = calloc(1, sizeof *job);
    if (!job)
        return -ENOMEM;
    int result = snapshot_part_open(snapshots->folder, number, snapshots->ring, &job->part);
    if (!result)
        result = snapshot_note_copy(snapshot_part_note(job->part), &job->note);
    if (!result) {
        job->closed = true;
        add_job(snapshots, job);
        return 0;
    }
    snapshot_part_free(job->part);
    free(job);
    snapshots->state.failed++;
    if (result == -EBADMSG)
        snapshots_say(snapshots,
                      "Snapshot %u, begun before the last end, cannot be read: kept aside as "
                      "%.80s/%04u%s.",
                      number, snapshots->folder, number, SNAPSHOT_UNREADABLE);
    else if (result != -ENOMEM)
        snapshots_say(snapshots,
                      "Snapshot %u, begun before the last end, cannot be read now: %s. The next "
                      "start tries again.",
                      number, strerror(-result));
    return result == -ENOMEM ? result : 0;
}

static int take_over_parts(struct snapshots *snapshots) {
    unsigned *numbers = NULL;
    size_t count = 0;
    int result = snapshot_part_find(snapshots->folder, &numbers, &count);
    for (size_t i = 0; !result && i < count; i++)
        result = take_over_part(snapshots, numbers[i]);
    free(numbers);
    return result;
}

static void free_all(struct snapshots *snapshots) {
    while (snapshots->jobs) {
        struct snapshot_job *job = snapshots->jobs;
        snapshots->jobs = job->next;
        snapshot_part_free(job->part);
        snapshot_note_done(&job->note);
        free(job);
    }
    pthread_cond_destroy(&snapshots->wake);
    pthread_cond_destroy(&snapshots->finished);
    pthread_mutex_destroy(&snapshots->lock);
    free(snapshots->folder);
    free(snapshots);
}

static void make_conditions(struct snapshots *snapshots) {
    pthread_condattr_t attributes;
    pthread_condattr_init(&attributes);
    pthread_condattr_setclock(&attributes, CLOCK_MONOTONIC);
    pthread_cond_init(&snapshots->wake, &attributes);
    pthread_cond_init(&snapshots->finished, &attributes);
    pthread_condattr_destroy(&attributes);
    pthread_mutex_init(&snapshots->lock, NULL);
}

/* Signals are for the main thread; a file too large for its limit is to be an error, not a kill. */
static int start_thread(struct snapshots *snapshots) {
    sigset_t all;
    sigset_t before;
    sigfillset(&all);
    pthread_sigmask(SIG_SETMASK, &all, &before);
    int result = -pthread_create(&snapshots->thread, NULL, snapshot_thread, snapshots);
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    return result;
}

int snapshots_start(const char *folder, struct disk_ring *ring, struct timebase *timebase,
                    const struct snapshot_settings *settings, const struct snapshot_tap *tap,
                    struct snapshots **snapshots) {
    if (mkdir(folder, 0755) < 0 && errno != EEXIST)
        return -errno;
    struct snapshots *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    made->ring = ring;
    made->timebase = timebase;
    made->settings = *settings;
    made->tap = *tap;
    made->state.room = true;
    make_conditions(made);
    made->folder = strdup(folder);
    int result = made->folder ? 0 : -ENOMEM;
    if (!result)
        result = snapshot_folder_survey(folder, &made->state.bytes, &made->highest);
    if (!result)
        result = take_over_parts(made);
    if (!result)
        result = start_thread(made);
    if (result) {
        free_all(made);
        return result;
    }
    *snapshots = made;
    return 0;
}

void snapshots_stop(struct snapshots *snapshots) {
    if (!snapshots)
        return;
    pthread_mutex_lock(&snapshots->lock);
    snapshots->ending = true;
    pthread_cond_signal(&snapshots->wake);
    pthread_mutex_unlock(&snapshots->lock);
    pthread_join(snapshots->thread, NULL);
    free_all(snapshots);
}

void snapshots_set(struct snapshots *snapshots, const struct snapshot_settings *settings) {
    pthread_mutex_lock(&snapshots->lock);
    snapshots->settings = *settings;
    pthread_mutex_unlock(&snapshots->lock);
}

/* ---- requests ---- */

/* Under the lock: the youngest one whose stretch this one touches, within the longest allowed. */
static struct snapshot_job *find_touching(struct snapshots *snapshots,
                                          const struct snapshot_request *request) {
    struct snapshot_job *found = NULL;
    for (struct snapshot_job *job = snapshots->jobs; job; job = job->next) {
        const struct snapshot_note *note = &job->note;
        if (job->closed || request->from_ns > note->to_ns || request->to_ns < note->from_ns)
            continue;
        int64_t from = note->from_ns < request->from_ns ? note->from_ns : request->from_ns;
        int64_t to = note->to_ns > request->to_ns ? note->to_ns : request->to_ns;
        bool is_inside = from == note->from_ns && to == note->to_ns;
        if (is_inside || (double)(to - from) <= snapshots->settings.merge_s * 1e9)
            found = job;
    }
    return found;
}

static void merge(struct snapshot_job *job, const struct snapshot_request *request) {
    if (request->from_ns < job->note.from_ns) {
        job->note.from_ns = request->from_ns;
        job->restart = true;
    }
    if (request->to_ns > job->note.to_ns)
        job->note.to_ns = request->to_ns;
}

static struct snapshot_job *new_job(const struct snapshot_request *request) {
    struct snapshot_job *job = calloc(1, sizeof *job);
    if (!job)
        return NULL;
    job->note.trigger = strdup(request->trigger ? request->trigger : "");
    job->note.text = strdup(request->text ? request->text : "");
    job->note.at_ns = request->at_ns;
    job->note.from_ns = request->from_ns;
    job->note.to_ns = request->to_ns;
    if (job->note.trigger && job->note.text)
        return job;
    snapshot_note_done(&job->note);
    free(job);
    return NULL;
}

int snapshots_request(struct snapshots *snapshots, const struct snapshot_request *request) {
    if (request->from_ns > request->to_ns)
        return -EINVAL;
    int result = 0;
    pthread_mutex_lock(&snapshots->lock);
    struct snapshot_job *job = NULL;
    if (snapshots->ending) {
        result = -ESHUTDOWN;
    } else if ((job = find_touching(snapshots, request))) {
        merge(job, request);
        result = (int)job->note.number;
    } else if ((job = new_job(request))) {
        job->note.number = ++snapshots->highest;
        add_job(snapshots, job);
        result = (int)job->note.number;
    } else {
        result = -ENOMEM;
    }
    pthread_cond_signal(&snapshots->wake);
    pthread_mutex_unlock(&snapshots->lock);
    return result;
}

/* Under the lock. */
static struct snapshot_job *find_number(struct snapshots *snapshots, unsigned number) {
    struct snapshot_job *job = snapshots->jobs;
    while (job && job->note.number != number)
        job = job->next;
    return job;
}

int snapshots_wait(struct snapshots *snapshots, unsigned number, int timeout_ms) {
    struct timespec until = monotonic_in((int64_t)timeout_ms * MILLISECOND);
    int waited = 0;
    pthread_mutex_lock(&snapshots->lock);
    struct snapshot_job *job = find_number(snapshots, number);
    while (job && !job->done && !waited) {
        waited = pthread_cond_timedwait(&snapshots->finished, &snapshots->lock, &until);
        job = find_number(snapshots, number);
    }
    int result = -ENOENT;
    if (job)
        result = job->done ? job->result : -ETIMEDOUT;
    pthread_mutex_unlock(&snapshots->lock);
    if (job)
        return result;
    char *path = snapshot_folder_path(snapshots->folder, number, SNAPSHOT_SUFFIX);
    struct stat facts;
    if (path && stat(path, &facts) == 0)
        result = 0; /* of an earlier process, or long ago */
    free(path);
    return result;
}

void snapshots_state(struct snapshots *snapshots, struct snapshot_state *state) {
    pthread_mutex_lock(&snapshots->lock);
    *state = snapshots->state;
    pthread_mutex_unlock(&snapshots->lock);
}
