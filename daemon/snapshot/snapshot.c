// SPDX-License-Identifier: Apache-2.0
/*
 * snapshot.c - requests, merging, and the thread that saves one snapshot after the other.
 */
#include "snapshot.h"

#include "snapshot_copy.h"
#include "snapshot_folder.h"
#include "snapshot_note.h"
#include "snapshot_part.h"
#include "snapshot_source.h"
#include "standing.h"

#include <errno.h>
#include <pthread.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>

#define MILLISECOND 1000000

/* The last scans of a stretch reach us (bus, buffers) within this after its end. */
#define GRACE_NS (250 * (int64_t)MILLISECOND)
/* How often the ring is looked at meanwhile. */
#define POLL_NS (250 * (int64_t)MILLISECOND)
/* With a simulated board's time, which may run a thousand times faster: look more often, and give
 * a request that lengthens the stretch the real time to arrive. */
#define DRIVEN_POLL_NS   (20 * (int64_t)MILLISECOND)
#define DRIVEN_SETTLE_NS (100 * (int64_t)MILLISECOND)
/* A simulated board's time that stands still for so long has ended. */
#define DRIVEN_STALL_NS (3000 * (int64_t)MILLISECOND)
/* Results of finished ones are remembered for snapshots_wait(). */
#define RESULTS_MAX 256

struct job {
    struct job *next;
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
    pthread_cond_t wake;     /* for the thread */
    pthread_cond_t finished; /* for those who wait */
    struct job *jobs;        /* oldest first; done ones stay for a while */
    size_t job_count;
    unsigned highest; /* number given */
    bool ending;
    struct snapshot_state state;
};

static int64_t computer_ns(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

static struct timespec in_future(int64_t ns) {
    int64_t at = computer_ns() + ns;
    return (struct timespec){.tv_sec = (time_t)(at / 1000000000),
                             .tv_nsec = (long)(at % 1000000000)};
}

/* ---- saying what went wrong ---- */

static void say_problem(struct snapshots *snapshots, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

static void say_problem(struct snapshots *snapshots, const char *format, ...) {
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

/* ---- room ---- */

static unsigned mebibytes(uint64_t bytes) {
    return (unsigned)((bytes + (1u << 19)) >> 20);
}

static void note_removed(struct snapshots *snapshots, unsigned number, enum standing standing) {
    char text[128];
    snprintf(text, sizeof text, "Snapshot %u (%s) was deleted: the quota of snapshots is used up.",
             number, standing_name(standing));
    pthread_mutex_lock(&snapshots->lock);
    snapshots->state.removed++;
    pthread_mutex_unlock(&snapshots->lock);
    if (snapshots->tap.removed)
        snapshots->tap.removed(snapshots->tap.context, text);
}

/* Deletes those that may go until the quota leaves room, or none may go. The bytes of the rest. */
static int make_room(struct snapshots *snapshots, uint64_t quota_bytes, uint64_t *bytes) {
    unsigned highest = 0;
    for (;;) {
        unsigned number = 0;
        enum standing standing = STANDING_GOOD;
        int result = snapshot_folder_survey(snapshots->folder, bytes, &highest);
        if (result < 0 || *bytes < quota_bytes)
            return result;
        result = standing_next(snapshots->folder, &number, &standing);
        if (result < 0)
            return result == -ENOENT ? 0 : result;
        result = standing_remove(snapshots->folder, number);
        if (result < 0) {
            say_problem(snapshots, "Snapshot %u could not be deleted to make room: %s.", number,
                        strerror(-result));
            return result;
        }
        note_removed(snapshots, number, standing);
    }
}

/* 0, or -ENOSPC with the reason said. */
static int find_room(struct snapshots *snapshots) {
    uint64_t bytes = 0;
    pthread_mutex_lock(&snapshots->lock);
    const struct snapshot_settings settings = snapshots->settings;
    pthread_mutex_unlock(&snapshots->lock);
    int result = make_room(snapshots, settings.quota_bytes, &bytes);
    if (result < 0)
        return result;
    uint64_t left = snapshot_folder_free(snapshots->folder);
    bool over_quota = bytes >= settings.quota_bytes;
    bool disk_full = left < settings.keep_free_bytes / 2;
    pthread_mutex_lock(&snapshots->lock);
    snapshots->state.bytes = bytes;
    snapshots->state.room = !over_quota && !disk_full;
    pthread_mutex_unlock(&snapshots->lock);
    if (over_quota)
        say_problem(snapshots,
                    "No room for snapshots: they take %u MiB, their quota is %u MiB, and none may "
                    "go: each is good, held, or neither clean nor reviewed. `cranktrap list "
                    "--reviewed N` lets N go; or raise `snapshots` in [storage].",
                    mebibytes(bytes), mebibytes(settings.quota_bytes));
    else if (disk_full)
        say_problem(snapshots,
                    "No room for snapshots: %u MiB are free at %.80s. Free some space, or lower "
                    "`ring` in [storage]. Marks go on being kept in the ring.",
                    mebibytes(left), snapshots->folder);
    return over_quota || disk_full ? -ENOSPC : 0;
}

/* After one has been written, or not. */
static void take_stock(struct snapshots *snapshots) {
    uint64_t bytes = 0;
    unsigned highest = 0;
    if (snapshot_folder_survey(snapshots->folder, &bytes, &highest) < 0)
        return;
    pthread_mutex_lock(&snapshots->lock);
    snapshots->state.bytes = bytes;
    pthread_mutex_unlock(&snapshots->lock);
}

/* ---- saving one ---- */

static int64_t elapsed(struct snapshots *snapshots) {
    return timebase_elapsed_ns(snapshots->timebase);
}

/* A simulated board that is at its end moves the time no more. */
static bool time_stands_still(struct snapshots *snapshots) {
    int64_t now = elapsed(snapshots);
    int64_t at = computer_ns();
    if (now != snapshots->seen_elapsed_ns) {
        snapshots->seen_elapsed_ns = now;
        snapshots->seen_at_ns = at;
    }
    return timebase_driven(snapshots->timebase) && at - snapshots->seen_at_ns > DRIVEN_STALL_NS;
}

/* All that can come of the stretch has come. */
static bool is_over(struct snapshots *snapshots, int64_t to_ns) {
    bool stands_still = time_stands_still(snapshots);
    if (elapsed(snapshots) < to_ns + GRACE_NS) {
        snapshots->over_at_ns = 0;
        return stands_still;
    }
    if (!timebase_driven(snapshots->timebase))
        return true;
    if (snapshots->over_at_ns == 0)
        snapshots->over_at_ns = computer_ns();
    return computer_ns() - snapshots->over_at_ns >= DRIVEN_SETTLE_NS;
}

static void wait_for_more(struct snapshots *snapshots, const struct job *job, int64_t to_ns) {
    int64_t wait = DRIVEN_POLL_NS;
    if (!timebase_driven(snapshots->timebase)) {
        int64_t left = to_ns + GRACE_NS - elapsed(snapshots);
        wait = left < POLL_NS ? left : POLL_NS;
    }
    struct timespec until = in_future(wait > MILLISECOND ? wait : MILLISECOND);
    pthread_mutex_lock(&snapshots->lock);
    if (!snapshots->ending && !job->restart && job->note.to_ns == to_ns)
        pthread_cond_timedwait(&snapshots->wake, &snapshots->lock, &until);
    pthread_mutex_unlock(&snapshots->lock);
}

static int copy_what_is_there(struct snapshot_source *source, struct snapshot_copy *copy) {
    struct chunk chunk;
    int result;
    while ((result = snapshot_source_next(source, &chunk)) == 1) {
        result = snapshot_copy_take(copy, &chunk);
        if (result < 0)
            break;
    }
    return result;
}

/* No more requests are merged into it, unless one has just been. */
static bool close_job(struct snapshots *snapshots, struct job *job, int64_t to_ns) {
    pthread_mutex_lock(&snapshots->lock);
    job->closed = !job->restart && job->note.to_ns == to_ns;
    bool closed = job->closed;
    pthread_mutex_unlock(&snapshots->lock);
    return closed;
}

/* Copies until the stretch is over. 0, -ESTALE where it must begin again, or another errno. */
static int follow(struct snapshots *snapshots, struct job *job, struct snapshot_source *source,
                  struct snapshot_copy *copy, bool *cut_short) {
    for (;;) {
        pthread_mutex_lock(&snapshots->lock);
        bool ending = snapshots->ending;
        bool restart = job->restart;
        int64_t to_ns = job->note.to_ns;
        pthread_mutex_unlock(&snapshots->lock);
        if (restart)
            return -ESTALE;
        int result = snapshot_copy_lengthen(copy, to_ns);
        if (result < 0)
            return result;
        snapshot_source_lengthen(source, to_ns);
        bool over = is_over(snapshots, to_ns) || ending;
        *cut_short = elapsed(snapshots) < to_ns;
        if (over && snapshots->tap.flush)
            (void)snapshots->tap.flush(snapshots->tap.context); /* else: with what is there */
        result = copy_what_is_there(source, copy);
        if (result < 0)
            return result;
        if (over && close_job(snapshots, job, to_ns))
            return 0;
        if (!over)
            wait_for_more(snapshots, job, to_ns);
    }
}

static int save_once(struct snapshots *snapshots, struct job *job) {
    struct snapshot_note note = {0};
    struct snapshot_copy *copy = NULL;
    struct snapshot_source *source = NULL;
    bool cut_short = false;
    snapshots->over_at_ns = 0;
    pthread_mutex_lock(&snapshots->lock);
    int result = snapshot_note_copy(&job->note, &note);
    job->restart = false;
    pthread_mutex_unlock(&snapshots->lock);
    if (result < 0)
        return result;
    timebase_boot(snapshots->timebase, note.boot);
    result = snapshot_copy_new(snapshots->folder, &note, &copy);
    if (!result)
        result = snapshot_source_new(snapshots->ring, note.from_ns, note.to_ns, &source);
    if (!result)
        result = follow(snapshots, job, source, copy, &cut_short);
    if (!result)
        result = snapshot_copy_finish(copy, cut_short);
    snapshot_source_free(source);
    snapshot_copy_free(copy);
    snapshot_note_done(&note);
    return result;
}

static int save(struct snapshots *snapshots, struct job *job) {
    int result = find_room(snapshots);
    if (result < 0)
        return result;
    result = snapshot_folder_use(snapshots->folder, job->note.number);
    if (result < 0 && result != -ENOSPC)
        say_problem(snapshots, "The numbers of snapshots could not be noted in %.80s: %s.",
                    snapshots->folder, strerror(-result));
    do
        result = save_once(snapshots, job);
    while (result == -ESTALE);
    if (result == -ENODATA)
        say_problem(snapshots, "Snapshot %u was not written: the ring has nothing of that stretch.",
                    job->note.number);
    else if (result < 0)
        say_problem(snapshots,
                    "Snapshot %u could not be written to %.80s: %s. Its mark and what the ring "
                    "holds are still there.",
                    job->note.number, snapshots->folder, strerror(-result));
    return result;
}

static int finish_part(struct snapshots *snapshots, struct job *job) {
    int result = snapshot_part_finish(job->part);
    if (result == -ENODATA)
        say_problem(snapshots,
                    "Snapshot %u, begun before the last end, held nothing yet and the ring has "
                    "nothing of it.",
                    job->note.number);
    else if (result < 0)
        say_problem(snapshots,
                    "Snapshot %u, begun before the last end, could not be finished: %s. The next "
                    "start tries again.",
                    job->note.number, strerror(-result));
    return result;
}

/* ---- the thread ---- */

/* Under the lock: forgets results that nobody will ask for any more. */
static void forget_oldest(struct snapshots *snapshots) {
    while (snapshots->job_count > RESULTS_MAX && snapshots->jobs->done) {
        struct job *job = snapshots->jobs;
        snapshots->jobs = job->next;
        snapshots->job_count--;
        snapshot_note_done(&job->note);
        free(job);
    }
}

static void job_finished(struct snapshots *snapshots, struct job *job, int result) {
    unsigned number = job->note.number;
    snapshot_part_free(job->part);
    take_stock(snapshots);
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
        struct job *job = snapshots->jobs;
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
        int result = job->part ? finish_part(snapshots, job) : save(snapshots, job);
        job_finished(snapshots, job, result);
        pthread_mutex_lock(&snapshots->lock);
    }
    pthread_mutex_unlock(&snapshots->lock);
    return NULL;
}

/* ---- starting and ending ---- */

static void add_job(struct snapshots *snapshots, struct job *job) {
    struct job **last = &snapshots->jobs;
    while (*last)
        last = &(*last)->next;
    *last = job;
    snapshots->job_count++;
}

/* Unfinished snapshots of an earlier process become the first jobs. */
static int take_over_part(struct snapshots *snapshots, unsigned number) {
    struct job *job = calloc(1, sizeof *job);
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
        say_problem(snapshots,
                    "Snapshot %u, begun before the last end, cannot be read: kept aside as "
                    "%.80s/%04u%s.",
                    number, snapshots->folder, number, SNAPSHOT_UNREADABLE);
    else if (result != -ENOMEM)
        say_problem(snapshots,
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
        struct job *job = snapshots->jobs;
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
static struct job *find_touching(struct snapshots *snapshots,
                                 const struct snapshot_request *request) {
    struct job *found = NULL;
    for (struct job *job = snapshots->jobs; job; job = job->next) {
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

static void merge(struct job *job, const struct snapshot_request *request) {
    if (request->from_ns < job->note.from_ns) {
        job->note.from_ns = request->from_ns;
        job->restart = true;
    }
    if (request->to_ns > job->note.to_ns)
        job->note.to_ns = request->to_ns;
}

static struct job *new_job(const struct snapshot_request *request) {
    struct job *job = calloc(1, sizeof *job);
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
    struct job *job = NULL;
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
static struct job *find_number(struct snapshots *snapshots, unsigned number) {
    struct job *job = snapshots->jobs;
    while (job && job->note.number != number)
        job = job->next;
    return job;
}

int snapshots_wait(struct snapshots *snapshots, unsigned number, int timeout_ms) {
    struct timespec until = in_future((int64_t)timeout_ms * MILLISECOND);
    int waited = 0;
    pthread_mutex_lock(&snapshots->lock);
    struct job *job = find_number(snapshots, number);
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
