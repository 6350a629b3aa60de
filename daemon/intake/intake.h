// SPDX-License-Identifier: Apache-2.0
/*
 * intake.h - boards in, coded blocks out: a supervisor per board.
 *
 * A stream board has two threads: its transport thread (port -> byte ring; opens, loses and
 * reopens the port, with backoff, for ever) and its pipeline thread (byte ring -> consume ->
 * clock -> tap -> block -> codec -> memory ring). A poll board has the pipeline thread only.
 */
#ifndef CRANKTRAP_INTAKE_H
#define CRANKTRAP_INTAKE_H

#include "board.h"
#include "hookup.h"
#include "memory_ring.h"
#include "record.h"
#include "timebase.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum intake_board_state {
    INTAKE_WAITING, /* no such device now, or it cannot be opened: see `why` */
    INTAKE_OPENING, /* open, no sense made of it yet */
    INTAKE_STREAMING,
    INTAKE_SILENT,   /* open, but nothing comes */
    INTAKE_NONSENSE, /* bytes come, none make sense */
    INTAKE_ENDED,    /* a simulation at its end */
    INTAKE_REFUSED   /* the board contradicts the hookup: see `why` */
};
const char *intake_board_state_name(enum intake_board_state state); /* "waiting", ... */

struct intake_status {
    const char *board; /* its name in the hookup */
    enum intake_board_state state;
    char why[256];  /* "" or a plain sentence, with the remedy */
    char note[256]; /* "" or what must be looked at although it runs */
    uint32_t epoch;
    uint64_t scans;          /* received, all epochs */
    uint64_t scans_lost;     /* counted */
    uint64_t losses_unknown; /* of unknown size */
    uint64_t reconnects;
    uint64_t bytes;
    uint64_t bytes_dropped; /* the byte ring was full; the scans in them are counted as lost */
    uint64_t overruns;      /* characters that the port's hardware or the kernel dropped */
    uint64_t results[BOARD_RESULTS];  /* of consume(), by kind */
    uint64_t losses[BOARD_LOSSES];    /* scans lost by reason (known sizes) */
    uint64_t pauses, scans_in_pauses; /* of a burst board, by design: no loss */
    uint64_t byte_ring_fullest, byte_ring_size;
    uint64_t blocks, blocks_fast; /* closed; of them coded with the fast effort, under load */
    double rate_hz, claimed_hz, ppm, clock_error_ns;
    int64_t last_scan_ns; /* elapsed time of the newest scan; 0: none yet */
};

/*
 * What intake tells its owner; called on intake's threads, those of several boards at the same
 * time; must return soon. No run or loss is told while hookup_fit_board() changes the hookup.
 */
struct intake_tap {
    void *context;

    /* Live samples, as soon as they are decoded. `time_s` of the run is elapsed seconds. */
    void (*run)(void *context, const struct record_run *run);

    /* Scans of a stream are missing here; RECORD_LOSS_UNKNOWN: nobody counted them. */
    void (*loss)(void *context, size_t board, uint64_t scans, const char *reason);

    /* A board's description has come (hookup_fit_board has succeeded); before its first run, and
     * again when the board comes back with another one. */
    void (*described)(void *context, size_t board, const struct board_description *description);

    /* State of a board has changed; `text` says it whole, once ("board logger: ..."). */
    void (*event)(void *context, size_t board, enum intake_board_state state, const char *text);
};

struct intake_settings {
    double block_s;        /* blocks close after so long (1 s unless the loss window is shorter) */
    double urgent_block_s; /* while urgent (0.25 s) */
    uint32_t first_epoch;  /* above any epoch in the ring */
    double byte_ring_s;    /* about 1 s of bytes */
};

/*
 * The most that a stream of such scans puts into the memory ring, bytes a second: every sample as
 * wide as its input converts (no codec makes more of it), and what a block needs beside them.
 * Pure.
 */
double intake_bytes_per_s(size_t inputs, const unsigned *bits, double rate_hz);

struct intake;

/*
 * Makes one; starts nothing. `hookup`, `memory`, `timebase` are kept; `tap` is copied; its
 * functions may be NULL. The memory ring is told what to expect of each board once it is known. 0
 * or -ENOMEM. A driver that refuses its settings makes a refused board.
 */
int intake_new(struct hookup *hookup, struct memory_ring *memory, struct timebase *timebase,
               const struct intake_tap *tap, const struct intake_settings *settings,
               struct intake **intake);

/* Starts all boards' threads. 0, or a negative errno when a thread cannot be had (all are ended).
 */
int intake_start(struct intake *intake);

/* Ends the flow: asks boards to stop, closes blocks into the memory ring, joins. Within a second.
 * Not from a tap. */
void intake_stop(struct intake *intake);

/* Frees; takes NULL; stops first where needed. */
void intake_free(struct intake *intake);

/* Any thread, taps too. While urgent, blocks close after urgent_block_s. The open ones close soon,
 * which is not waited for. */
void intake_urgent(struct intake *intake, bool urgent);

/* Any thread: closes the open blocks now; returns when they are in the memory ring. Not from a
 * tap. 0 or -ETIMEDOUT. */
int intake_flush(struct intake *intake, int timeout_ms);

/*
 * Any thread, but not from a tap: other calibrations from here on (see hookup_calibrate()). Each
 * board's pipeline fits the hookup anew soon, and tells `described` again. 0 or -ENOMEM.
 */
int intake_calibrate(struct intake *intake, const struct calibration *calibrations, size_t count);

/*
 * Any thread, but not from a tap: from here on `fresh` takes the hookup's place. Its boards must be
 * those of the old one (hookup_board_changed()); the old one must live as long as intake. Boards go
 * on streaming: their descriptions are fitted to `fresh`, and soon told again by `described`.
 * Before the change, while no run or loss is told, `exchange` is called, which may still refuse. 0;
 * -EINVAL with problems added where a board contradicts `fresh`; what `exchange` returned; -ENOMEM.
 */
int intake_exchange_hookup(struct intake *intake, struct hookup *fresh, struct problems *problems,
                           int (*exchange)(void *context), void *context);

/* Any thread, but not from a tap other than `described`, and not for long: until
 * intake_release_hookup() no board is fitted, so that what fitting changes in the hookup can be
 * read. */
void intake_hold_hookup(struct intake *intake);
void intake_release_hookup(struct intake *intake);

/* Any thread: what the board is, once it was described; false before. */
bool intake_description(struct intake *intake, size_t board, struct board_description *description);

/* Any thread. */
size_t intake_boards(const struct intake *intake);
void intake_status(struct intake *intake, size_t board, struct intake_status *status);

/*
 * One thread: has every pipeline come round since it was last seen to? A board that is away keeps
 * none from coming round, nor does a slow disk; one that has ended counts as moving. False for more
 * than some seconds: a thread hangs.
 */
bool intake_moves(struct intake *intake);

/* True when every board is a simulation at its end. */
bool intake_ended(struct intake *intake);

#endif
