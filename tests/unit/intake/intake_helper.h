// SPDX-License-Identifier: Apache-2.0
/*
 * intake_helper.h - intake under test: boards on pseudo-terminals, played by the firmware's own
 * encoder; a scripted poll board; and everything that the tap and the memory ring were given.
 */
#ifndef CRANKTRAP_INTAKE_HELPER_H
#define CRANKTRAP_INTAKE_HELPER_H

#include "board.h"
#include "chunk.h"
#include "hookup.h"
#include "intake.h"
#include "memory_ring.h"
#include "timebase.h"
#include "wire_encoder.h"

#include <pthread.h>
#include <semaphore.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define BOARDS_MAX 3
#define EVENTS_MAX 64

/* What the tap was told of one board. */
struct told {
    unsigned described;
    uint64_t scans, runs_after_loss;
    uint64_t lost, lost_unknown;
    double last_time_s;
    size_t event_count;
    enum intake_board_state state[EVENTS_MAX];
    char text[EVENTS_MAX][400];
};

struct rig {
    char folder[64];
    struct hookup hookup; /* made by hand: no channels */
    struct hookup_board boards[BOARDS_MAX];
    struct memory_ring *memory;
    struct timebase *timebase;
    struct intake_settings settings;
    struct intake *intake;

    pthread_mutex_t mutex; /* guards `told` */
    struct told told[BOARDS_MAX];
    atomic_bool hold; /* the next run stops in the tap until `release` is posted */
    sem_t held, release;
};

/* A rig without boards; rig_add() them, then rig_start(). */
struct rig *rig_new(void);
void rig_add(struct rig *rig, const char *name, const struct board_driver *driver,
             const char *device);
void rig_start(struct rig *rig);
void rig_free(struct rig *rig); /* stops first */

struct told rig_told(struct rig *rig, size_t board);
struct intake_status rig_status(struct rig *rig, size_t board);

/* Events of a board in that state. */
unsigned rig_events(struct rig *rig, size_t board, enum intake_board_state state);

/* ---- a board on a pseudo-terminal, behind a link that stays the same ---- */

struct played {
    char link[96];
    int master; /* -1: unplugged */
    struct wire_board wire;
    struct wire_encoder encoder;
    struct wire_decoder decoder;
    bool mute, started;
    int32_t value; /* of input 0 in the next scan: counts up, 24 bits */
    unsigned requests[4];
};

void played_init(struct played *played, const struct rig *rig, const char *name, uint8_t inputs);
void played_plug(struct played *played);
void played_unplug(struct played *played);

/* Answers the requests that have come. */
void played_answer(struct played *played);

/* Scans: sent, or (lost on the wire) made and thrown away. */
void played_send(struct played *played, unsigned scans);
void played_lose(struct played *played, unsigned scans);

/* Raw bytes. */
void played_write(struct played *played, const void *bytes, size_t count);

/* Plays all `count` boards and pauses a little; fails the test after half a minute of one wait. */
void play(struct played *played, size_t count, unsigned *waited);
#define WAIT_UNTIL(played, count, condition)                                                       \
    do {                                                                                           \
        unsigned waited_ = 0;                                                                      \
        while (!(condition))                                                                       \
            play(played, count, &waited_);                                                         \
    } while (0)

/* ---- what is in the memory ring ---- */

struct stored {
    size_t count;
    struct chunk chunk[4096];
};
/* Takes all chunks there are now; keeps them until stored_free(). */
struct stored *stored_take(struct rig *rig);
void stored_free(struct stored *stored);

/* Input `input` of a block, decoded: `scans` of the chunk counts into `counts`. */
void stored_counts(const struct chunk *chunk, size_t input, int32_t *counts);
uint64_t stored_scans(const struct stored *stored, uint16_t stream);
const struct chunk *stored_first(const struct stored *stored, uint16_t stream,
                                 enum chunk_type type);

/*
 * Checks one stream whole: every epoch begins with a CLOCK at scan 0, blocks and losses of known
 * size follow each other without a hole, and input 0 goes up by one a scan (over a known loss by
 * as many). Fails the test otherwise.
 */
void stored_check(const struct stored *stored, uint16_t stream);

#endif
