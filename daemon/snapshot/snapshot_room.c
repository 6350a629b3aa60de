// SPDX-License-Identifier: Apache-2.0
/*
 * snapshot_room.c - quota and free disk.
 */
#include "snapshot_room.h"

#include "snapshot_folder.h"
#include "standing.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

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
            snapshots_say(snapshots, "Snapshot %u could not be deleted to make room: %s.", number,
                          strerror(-result));
            return result;
        }
        note_removed(snapshots, number, standing);
    }
}

int snapshot_room_find(struct snapshots *snapshots) {
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
        snapshots_say(
            snapshots,
            "No room for snapshots: they take %u MiB, their quota is %u MiB, and none may "
            "go: each is good, held, or neither clean nor reviewed. `cranktrap list "
            "--reviewed N` lets N go; or raise `snapshots` in [storage].",
            mebibytes(bytes), mebibytes(settings.quota_bytes));
    else if (disk_full)
        snapshots_say(snapshots,
                      "No room for snapshots: %u MiB are free at %.80s. Free some space, or lower "
                      "`ring` in [storage]. Marks go on being kept in the ring.",
                      mebibytes(left), snapshots->folder);
    return over_quota || disk_full ? -ENOSPC : 0;
}

void snapshot_room_count(struct snapshots *snapshots) {
    uint64_t bytes = 0;
    unsigned highest = 0;
    if (snapshot_folder_survey(snapshots->folder, &bytes, &highest) < 0)
        return;
    pthread_mutex_lock(&snapshots->lock);
    snapshots->state.bytes = bytes;
    pthread_mutex_unlock(&snapshots->lock);
}
