// SPDX-License-Identifier: Apache-2.0
/*
 * snapshot_save.c - waits for the end of a stretch, and copies what is there meanwhile.
 */
#include "snapshot_save.h"

#include "monotonic.h"
#include "snapshot_copy.h"
#include "snapshot_folder.h"
#include "snapshot_room.h"
#include "snapshot_source.h"

#include <errno.h>
#include <string.h>

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

static int64_t elapsed(struct snapshots *snapshots) {
    return timebase_elapsed_ns(snapshots->timebase);
}

/* A simulated board that is at its end moves the time no more. */
static bool time_stands_still(struct snapshots *snapshots) {
    int64_t now = elapsed(snapshots);
    int64_t at = monotonic_ns();
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
        snapshots->over_at_ns = monotonic_ns();
    return monotonic_ns() - snapshots->over_at_ns >= DRIVEN_SETTLE_NS;
}

static void wait_for_more(struct snapshots *snapshots, const struct snapshot_job *job,
                          int64_t to_ns) {
    int64_t wait = DRIVEN_POLL_NS;
    if (!timebase_driven(snapshots->timebase)) {
        int64_t left = to_ns + GRACE_NS - elapsed(snapshots);
        wait = left < POLL_NS ? left : POLL_NS;
    }
    struct timespec until = monotonic_in(wait > MILLISECOND ? wait : MILLISECOND);
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
static bool close_job(struct snapshots *snapshots, struct snapshot_job *job, int64_t to_ns) {
    pthread_mutex_lock(&snapshots->lock);
    job->closed = !job->restart && job->note.to_ns == to_ns;
    bool closed = job->closed;
    pthread_mutex_unlock(&snapshots->lock);
    return closed;
}

/* Copies until the stretch is over. 0, -ESTALE where it must begin again, or another errno. */
static int follow(struct snapshots *snapshots, struct snapshot_job *job,
                  struct snapshot_source *source, struct snapshot_copy *copy, bool *cut_short) {
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

static int save_once(struct snapshots *snapshots, struct snapshot_job *job) {
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

int snapshot_save(struct snapshots *snapshots, struct snapshot_job *job) {
    int result = snapshot_room_find(snapshots);
    if (result < 0)
        return result;
    result = snapshot_folder_use(snapshots->folder, job->note.number);
    if (result < 0 && result != -ENOSPC)
        snapshots_say(snapshots, "The numbers of snapshots could not be noted in %.80s: %s.",
                      snapshots->folder, strerror(-result));
    do
        result = save_once(snapshots, job);
    while (result == -ESTALE);
    if (result == -ENODATA)
        snapshots_say(snapshots,
                      "Snapshot %u was not written: the ring has nothing of that stretch.",
                      job->note.number);
    else if (result < 0)
        snapshots_say(snapshots,
                      "Snapshot %u could not be written to %.80s: %s. Its mark and what the ring "
                      "holds are still there.",
                      job->note.number, snapshots->folder, strerror(-result));
    return result;
}

int snapshot_save_part(struct snapshots *snapshots, struct snapshot_job *job) {
    int result = snapshot_part_finish(job->part);
    if (result == -ENODATA)
        snapshots_say(snapshots,
                      "Snapshot %u, begun before the last end, held nothing yet and the ring has "
                      "nothing of it.",
                      job->note.number);
    else if (result < 0)
        snapshots_say(snapshots,
                      "Snapshot %u, begun before the last end, could not be finished: %s. The next "
                      "start tries again.",
                      job->note.number, strerror(-result));
    return result;
}
