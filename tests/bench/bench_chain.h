// SPDX-License-Identifier: Apache-2.0
/*
 * bench_chain.h - all that the daemon has between a port's bytes and its disk, in a folder of its
 * own: byte ring, pipeline thread, live detectors, memory ring, writer thread, disk ring.
 */
#ifndef CRANKTRAP_BENCH_CHAIN_H
#define CRANKTRAP_BENCH_CHAIN_H

#include "disk_ring.h"
#include "head.h"
#include "hookup.h"
#include "intake_board.h"
#include "timebase.h"
#include "watch.h"
#include "writer.h"

#include <semaphore.h>
#include <stdbool.h>

enum { CHAIN_BOARDS_MAX = 8 };

/* Everything the daemon has between a port and its disk. */
struct chain {
    char folder[4096];
    struct hookup *hookup;
    struct timebase *timebase;
    struct memory_ring *memory;
    struct disk_ring *disk;
    struct writer *writer;
    struct watch *watch;
    struct intake *intake;
    struct head_stream stream[CHAIN_BOARDS_MAX];
    uint64_t fed;          /* scans handed over */
    _Atomic uint64_t told; /* scans the detectors have had */
    sem_t step;
    unsigned marks;
};

/*
 * Makes it for the van's leads on a board (its lines of the hookup; bench_van.h). 0 or -1; close it
 * in any case.
 */
int chain_open(struct chain *chain, const char *board);

/* The same for another hookup (taken over), of up to CHAIN_BOARDS_MAX boards. */
int chain_open_hookup(struct chain *chain, struct hookup *hookup);
void chain_close(struct chain *chain);

/* The first board, of whom bytes come from here on. */
struct intake_board *chain_board(struct chain *chain);

/* The port's thread without a port, for all boards: starts the pipeline, says that the board is
 * connected. 0 or -1 */
int chain_connect(struct chain *chain);

/* Raises a barrier as the ports' threads do, and waits until the pipelines have passed it. */
void chain_pass(struct chain *chain, enum barrier barrier);

/*
 * The port's thread of a fast board (bench_bulk.h): takes its reads from the descriptor until their
 * end, the pipeline with it. The caller goes before all other threads from then on. 0 or -1.
 */
int chain_take_paced(struct chain *chain, int from);

/* A line of /proc/self/status ("VmRSS:") in MiB. */
double chain_memory_mib(const char *name);

#endif
