// SPDX-License-Identifier: Apache-2.0
/*
 * shown.c - a few slots, each with a lock of its own: opening one holds up nobody who looks at
 * another.
 */
#include "shown.h"

#include <errno.h>
#include <pthread.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

/* One more than there are threads that draw: there is always one that nobody has. */
#define SLOTS       3
#define COLUMNS_MAX 65536
#define CELLS_MAX   (COLUMNS_MAX * 8) /* of all channels */
#define LEFT_S      60

struct slot {
    struct shown_snapshot snapshot; /* first: what is lent */
    pthread_mutex_t lock;           /* of the snapshot */
    /* Of all below: the lock of the whole. */
    uint64_t print;
    char *path; /* NULL: free */
    unsigned users;
    time_t used_s;
};

struct shown {
    pthread_mutex_t lock;
    struct slot slot[SLOTS];
};

static time_t now_s(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return now.tv_sec;
}

int shown_new(struct shown **shown) {
    struct shown *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    pthread_mutex_init(&made->lock, NULL);
    for (size_t i = 0; i < SLOTS; i++)
        pthread_mutex_init(&made->slot[i].lock, NULL);
    *shown = made;
    return 0;
}

static void close_snapshot(struct shown_snapshot *snapshot) {
    drawing_free(snapshot->fine);
    playback_free(snapshot->playback);
    *snapshot = (struct shown_snapshot){0};
}

void shown_free(struct shown *shown) {
    if (!shown)
        return;
    for (size_t i = 0; i < SLOTS; i++) {
        close_snapshot(&shown->slot[i].snapshot);
        pthread_mutex_destroy(&shown->slot[i].lock);
        free(shown->slot[i].path);
    }
    pthread_mutex_destroy(&shown->lock);
    free(shown);
}

/* The slot of this snapshot, else the one that was left longest. With the lock of all held. */
static struct slot *choose(struct shown *shown, uint64_t print) {
    struct slot *chosen = NULL;
    for (size_t i = 0; i < SLOTS; i++) {
        struct slot *slot = &shown->slot[i];
        if (slot->path && slot->print == print)
            return slot;
        if (!slot->users && (!chosen || slot->used_s < chosen->used_s))
            chosen = slot;
    }
    return chosen;
}

/* Makes the slot this snapshot's; nobody has it. False without memory. */
static bool assign(struct slot *slot, const char *path, uint64_t print) {
    if (slot->path && slot->print == print)
        return true;
    char *copy = strdup(path);
    if (!copy)
        return false;
    close_snapshot(&slot->snapshot);
    free(slot->path);
    slot->path = copy;
    slot->print = print;
    return true;
}

static int open_snapshot(const char *path, struct shown_snapshot *snapshot, char *why,
                         size_t why_size) {
    struct shown_snapshot made = {0};
    int result = playback_open(&path, 1, &made.playback, why, why_size);
    if (result < 0)
        return result;
    const struct record *record = playback_record(made.playback);
    size_t channels = record->vehicle->channel_count;
    struct drawing_wish whole = {.from_s = record->from_s,
                                 .to_s = record->to_s,
                                 .columns = CELLS_MAX / (channels ? channels : 1)};
    whole.columns = whole.columns < COLUMNS_MAX ? whole.columns : COLUMNS_MAX;
    result = drawing_new(record->vehicle, &whole, &made.fine);
    if (result == 0)
        result = drawing_record(made.fine, record);
    if (result < 0)
        close_snapshot(&made);
    else
        *snapshot = made;
    return result;
}

int shown_take(struct shown *shown, const char *path, uint64_t print,
               const struct shown_snapshot **snapshot, char *why, size_t why_size) {
    pthread_mutex_lock(&shown->lock);
    struct slot *slot = choose(shown, print);
    int result = !slot ? -EBUSY : assign(slot, path, print) ? 0 : -ENOMEM;
    if (result == 0)
        slot->users++;
    pthread_mutex_unlock(&shown->lock);
    if (result < 0)
        return result;
    pthread_mutex_lock(&slot->lock);
    if (!slot->snapshot.playback)
        result = open_snapshot(path, &slot->snapshot, why, why_size);
    if (result < 0)
        shown_give_back(shown, &slot->snapshot);
    else
        *snapshot = &slot->snapshot;
    return result;
}

void shown_give_back(struct shown *shown, const struct shown_snapshot *snapshot) {
    for (size_t i = 0; i < SLOTS; i++) {
        struct slot *slot = &shown->slot[i];
        if (&slot->snapshot != snapshot)
            continue;
        pthread_mutex_unlock(&slot->lock);
        pthread_mutex_lock(&shown->lock);
        slot->users--;
        slot->used_s = now_s();
        pthread_mutex_unlock(&shown->lock);
    }
}

void shown_tidy(struct shown *shown) {
    pthread_mutex_lock(&shown->lock);
    for (size_t i = 0; i < SLOTS; i++) {
        struct slot *slot = &shown->slot[i];
        if (slot->users || !slot->path)
            continue;
        if (now_s() - slot->used_s < LEFT_S && access(slot->path, F_OK) == 0)
            continue;
        close_snapshot(&slot->snapshot);
        free(slot->path);
        slot->path = NULL;
    }
    pthread_mutex_unlock(&shown->lock);
}
