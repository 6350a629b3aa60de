// SPDX-License-Identifier: Apache-2.0
/*
 * snapshot.h - the stretch before, during and after a mark, copied whole out of the ring.
 *
 * Numbered within the state folder: snapshots/0001.crank, its report beside it (0001.json).
 * Written as 0001.crank.part, before-part first, whole blocks; synced, renamed, folder synced.
 * A .part that a restart finds is finished from the ring as far as it goes, as "cut short".
 * What a snapshot is stands in a mark of its own in it (docs/triggers.md).
 *
 * Room: when the quota is used up, those go that may go (standing.h). None is begun when that is
 * not enough, or when less than half of what the ring keeps free is free (the ring then makes room
 * by itself). The marks are in the ring all the same.
 */
#ifndef CRANKTRAP_SNAPSHOT_H
#define CRANKTRAP_SNAPSHOT_H

#include "disk_ring.h"
#include "timebase.h"

#include <stdbool.h>
#include <stdint.h>

struct snapshot_settings {
    uint64_t quota_bytes;
    uint64_t keep_free_bytes;
    double merge_s; /* marks whose stretches touch are merged, up to this length (300 s) */
};

struct snapshot_request {
    const char *trigger; /* copied */
    const char *text;    /* copied */
    int64_t at_ns;       /* the moment it is about */
    int64_t from_ns, to_ns;
};

struct snapshot_tap {
    void *context;
    /* A snapshot is finished (renamed). On the snapshot thread; may block. */
    void (*finished)(void *context, unsigned number, const char *path);
    /* One was deleted because the quota was used up, said whole; on the snapshot thread. */
    void (*removed)(void *context, const char *text);
    /* What went wrong, said whole; on the snapshot thread. */
    void (*problem)(void *context, const char *text);
    /* Makes all scans up to now durable in the ring (intake_flush, writer_flush). NULL: nothing
     * to flush. On the snapshot thread. */
    int (*flush)(void *context);
};

struct snapshot_state {
    unsigned saved;   /* since the start */
    unsigned failed;  /* could not be written; their marks are in the ring */
    unsigned removed; /* deleted since the start, because the quota was used up */
    bool saving;
    bool room;      /* false: quota or disk full, no snapshot is being written */
    uint64_t bytes; /* of all snapshots */
    char last_problem[256];
};

struct snapshots;

/*
 * Opens the folder (made if missing), sets old .part files apart, starts the thread, whose first
 * work is to finish those from the ring. One that cannot be read is kept as .part.unreadable and
 * said. `tap` and `settings` are copied; callbacks may come before this returns.
 */
int snapshots_start(const char *folder, struct disk_ring *ring, struct timebase *timebase,
                    const struct snapshot_settings *settings, const struct snapshot_tap *tap,
                    struct snapshots **snapshots);

/*
 * Any thread: asks for one, or lengthens the one under way that it touches (its trigger and moment
 * stay those of the first). The stretch may lie in the past or reach into the future. Returns its
 * number; -EINVAL for a stretch that ends before it begins; -ESHUTDOWN; -ENOMEM. Never waits for
 * the disk. A number once given is never given again.
 */
int snapshots_request(struct snapshots *snapshots, const struct snapshot_request *request);

/* Any thread: other settings from here on. */
void snapshots_set(struct snapshots *snapshots, const struct snapshot_settings *settings);

/*
 * Any thread: waits until snapshot `number` is finished. 0, -ETIMEDOUT, -ENOENT, or its error:
 * -ENOSPC no room, -ENODATA the ring has nothing of that stretch, ...
 */
int snapshots_wait(struct snapshots *snapshots, unsigned number, int timeout_ms);

/*
 * Finishes what is under way with what is there (cut short where its after-part has not come),
 * ends the thread, frees. Takes NULL. Ring, timebase and what the tap uses must still be there.
 */
void snapshots_stop(struct snapshots *snapshots);

/* Any thread. How it stands. */
void snapshots_state(struct snapshots *snapshots, struct snapshot_state *state);

/* ---- the folder, without a daemon ---- */

struct snapshot_entry {
    unsigned number;
    char *path;   /* of the .crank */
    char *report; /* of its JSON report; NULL: none yet */
    uint64_t bytes;
};

/* Snapshots in number order; free with snapshot_list_free. 0 or a negative errno. */
int snapshot_list(const char *folder, struct snapshot_entry **entries, size_t *count);
void snapshot_list_free(struct snapshot_entry *entries, size_t count);

#endif
