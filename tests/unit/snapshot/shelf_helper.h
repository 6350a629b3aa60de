// SPDX-License-Identifier: Apache-2.0
/*
 * shelf_helper.h - a real ring of made-up boards in a folder of its own, a time that the test
 * drives, and snapshots over it.
 *
 * Every sample of a board is the number of its scan, so that what a file holds can be checked
 * against arithmetic. Blocks are one second, 100 scans; board n lags the first by n x 0.3 s.
 */
#ifndef CRANKTRAP_TESTS_SHELF_HELPER_H
#define CRANKTRAP_TESTS_SHELF_HELPER_H

#include "container.h"
#include "disk_ring.h"
#include "snapshot.h"
#include "snapshot_note.h"
#include "timebase.h"

#include <pthread.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define SHELF_BOARDS  2
#define SHELF_SCANS   100 /* of a block, and a second */
#define SHELF_LAG_NS  300000000
#define SHELF_SECOND  1000000000
#define SHELF_HEAD    "{\"made\":\"by a test\"}"
#define SHELF_WAIT_MS 20000

struct shelf {
    char folder[64];
    char ring_folder[96], snapshot_folder[96];
    struct timebase *timebase;
    struct disk_ring *ring;
    struct snapshots *snapshots;
    struct snapshot_settings settings;
    int64_t start_ns;      /* elapsed time of second 0 */
    unsigned seconds;      /* written so far */
    uint32_t epoch;        /* of the blocks written from here on */
    unsigned epoch_second; /* the second it began at */
    size_t padding;        /* extra inputs of noise, to make blocks large */
    pthread_mutex_t lock;
    unsigned finished, flushed;
    unsigned last_finished, removed;
    char removal[128]; /* what was said of the last one removed */
    char problem[256];
};

/* A fresh folder, a ring of `ring_bytes`, a time at second 0. Ends the program where it cannot. */
void shelf_open(struct shelf *shelf, uint64_t ring_bytes);

/* Starts and stops snapshots over it. */
void shelf_start(struct shelf *shelf);
void shelf_stop(struct shelf *shelf);

/* Closes and removes everything. */
void shelf_close(struct shelf *shelf);

/* One more second of every board, then the time is there too. */
void shelf_write(struct shelf *shelf, unsigned seconds);

/* The same without a board sending. */
void shelf_pass(struct shelf *shelf, unsigned seconds);

/* Appends a loss of the first board now, a mark now. */
void shelf_loss(struct shelf *shelf, uint64_t scans);
void shelf_mark(struct shelf *shelf, const char *json);

/* Elapsed time of a second. */
int64_t shelf_ns(const struct shelf *shelf, double second);

/* Asks for the stretch between two seconds. */
int shelf_request(struct shelf *shelf, double from, double to);

/* What a finished file holds. */
struct shelf_file {
    bool whole;
    bool sound; /* every block is what was written, clocks stand before their blocks */
    unsigned first[SHELF_BOARDS], last[SHELF_BOARDS]; /* seconds of its blocks */
    unsigned blocks[SHELF_BOARDS];
    unsigned heads, clocks, losses, marks;
    uint64_t lost;
    unsigned notes;
    struct snapshot_note note; /* the last one; snapshot_note_done() it */
};
/* False where the file cannot be opened. */
bool shelf_look(const struct shelf *shelf, unsigned number, struct shelf_file *file);

/* A file of the snapshots' folder is there. */
bool shelf_has(const struct shelf *shelf, unsigned number, const char *suffix);

/* Waits until that file is there and has so many bytes; false after the wait. */
bool shelf_await(const struct shelf *shelf, unsigned number, const char *suffix, uint64_t bytes);

#endif
