// SPDX-License-Identifier: Apache-2.0
/*
 * intake_board.h - one board inside intake: what its two threads share. Internal to daemon/intake.
 *
 *   port thread      port_thread.c   opens, reads, loses and reopens the port; writes the byte ring
 *   pipeline thread  pipeline.c      the only one that calls the driver; a poll board has only it
 *
 * The port thread tells the pipeline what happened to the port by a *barrier*: it stops writing
 * bytes and raises it; the pipeline passes it when it has used up all bytes before it. So every
 * event has its exact place among the bytes, and the driver is called by one thread.
 */
#ifndef CRANKTRAP_INTAKE_BOARD_H
#define CRANKTRAP_INTAKE_BOARD_H

#include "arrival.h"
#include "board.h"
#include "byte_ring.h"
#include "hookup.h"
#include "intake.h"
#include "transport.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stdint.h>

#define WRITE_BYTES_MAX 16384 /* of one read from a port, and so of one write to the byte ring */

enum barrier {
    BARRIER_NONE,
    BARRIER_CONNECTED,  /* a port is open: begin anew */
    BARRIER_LOST,       /* it is closed */
    BARRIER_OVERFLOWED, /* bytes were dropped here, in this computer */
    BARRIER_HOLE,       /* bytes did not arrive here */
    BARRIER_STOPPING    /* no more bytes will come */
};

struct pipeline;

struct intake_board {
    struct intake *intake;
    size_t index;
    const struct hookup_board *hookup;

    pthread_mutex_t mutex; /* guards what is marked (m) */
    pthread_cond_t changed;
    struct intake_status status;          /* (m) */
    struct board_description description; /* (m) inputs 0: not described yet */
    char said[256];                       /* (m) the last event, so that nothing is said twice */
    struct board_bytes outbox;            /* (m) for the port thread to send */
    struct transport *transport; /* (m) open port, to interrupt it; the port thread's otherwise */
    char serial[64];             /* (m) of the USB device that was opened first, or "" */
    char note[256];              /* (m) as in the status */
    bool finished;               /* (m) the pipeline thread is not running (any more) */
    uint64_t flush_done;         /* (m) */
    _Atomic uint64_t flush_wanted;
    _Atomic uint64_t rounds; /* of the pipeline, */
    uint64_t rounds_seen;    /*   as intake_moves() saw them */
    _Atomic int barrier;     /* set under the mutex */

    /* Of the port thread, read by intake_status(). */
    _Atomic uint64_t bytes, bytes_dropped, overruns;
    atomic_bool streaming;     /* scans have come since the port was opened */
    atomic_bool ever_streamed; /* scans have come at all */
    atomic_bool refit;         /* other calibrations: fit the hookup to the same board again */

    struct byte_ring *byte_ring; /* NULL: a poll board */
    struct pipeline *pipeline;
    struct arrival *arrival; /* NULL: a poll board */
    uint8_t *port_bytes;     /* WRITE_BYTES_MAX, the port thread's */

    pthread_t port_thread, pipeline_thread;
    bool port_started, pipeline_started;
};

struct intake {
    struct hookup *hookup;
    struct memory_ring *memory;
    struct timebase *timebase;
    struct intake_tap tap;
    struct intake_settings settings;
    pthread_rwlock_t fitting; /* taps read the hookup; hookup_fit_board() writes it */
    atomic_bool urgent;
    atomic_bool stopping;
    size_t board_count;
    struct intake_board *boards;
};

/* ---- intake_board.c: any thread ---- */

/* Board `index` of the hookup, without threads yet. 0 or a negative errno; done takes half-made
 * ones. */
int intake_board_init(struct intake_board *board, struct intake *intake, size_t index);
void intake_board_done(struct intake_board *board);

/* Sets the state and tells the owner, unless that was what it was told last. */
void intake_board_say(struct intake_board *board, enum intake_board_state state, const char *format,
                      ...) __attribute__((format(printf, 3, 4)));

/* Hands bytes to the port thread to be sent. */
void intake_board_send(struct intake_board *board, const struct board_bytes *request);

/* Waits, at most until intake stops. */
void intake_board_pause(struct intake_board *board, int64_t ns);

/* Is intake being stopped? The state it is in. */
bool intake_board_stopping(const struct intake_board *board);
enum intake_board_state intake_board_state(struct intake_board *board);

/*
 * board_swap.c: the device that was opened has this serial number. Another one than before at the
 * same port is noted in the status and told: leads are named by board, and may now be swapped.
 */
void board_swap_notice(struct intake_board *board, const char *serial);

/* ---- the threads: each runs until intake stops ---- */

void *port_thread(void *intake_board);     /* port_thread.c */
void *pipeline_stream(void *intake_board); /* pipeline_stream.c */
void *pipeline_poll(void *intake_board);   /* pipeline_poll.c */

#endif
