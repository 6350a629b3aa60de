// SPDX-License-Identifier: Apache-2.0
/*
 * hookup.h - the file that says which lead is where (docs/hookup.md), read and checked whole.
 *
 * A hookup is immutable once loaded; any thread may read it. All strings belong to it.
 */
#ifndef CRANKTRAP_HOOKUP_H
#define CRANKTRAP_HOOKUP_H

#include "board.h"
#include "calibration.h"
#include "circuit_limits.h"
#include "problems.h"
#include "vehicle.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct hookup_board {
    const char *name;
    unsigned line;
    const struct board_driver *driver;
    const char *device;             /* node, link or serial number; NULL for a simulated board */
    unsigned baud;                  /* serial; 0: the driver's option decides */
    struct board_settings settings; /* of the driver's own table */
    enum ground_point ground;
    double rate_hz;     /* as given; 0: not given, the board must say */
    size_t inputs;      /* 1 + the highest input a channel uses: what the board must have */
    double dead_time_s; /* between its bursts, where that is known without the board; else 0 */
};

/* How a channel's scale was given; what needs the board's own description is finished later. */
enum hookup_scale { HOOKUP_SCALE_WHOLE, HOOKUP_SCALE_TIMES_BOARD };

enum trigger_kind {
    TRIGGER_BELOW,
    TRIGGER_ABOVE,
    TRIGGER_OUTSIDE,
    TRIGGER_STEP,
    TRIGGER_SILENT,
    TRIGGER_CRANKING_BEGINS,
    TRIGGER_CRANKING_ENDS
};

struct hookup_trigger {
    const char *name;
    unsigned line;
    size_t channel; /* CHANNEL_NONE for cranking */
    enum trigger_kind kind;
    double level;      /* below, above; of outside the lower end, of step the change (> 0): in the
                          channel's unit */
    double level_high; /* outside: the upper end */
    double within_s;   /* step: the change happens within this */
    double hysteresis; /* same unit; of silent the swing that makes an edge, 0: not given */
    double for_s;      /* of silent: no edge for so long */
    unsigned when;     /* bit (1u << enum phase) set: fires in that phase; 0: in any */
    double before_s, after_s;
    double budget_s; /* what it may have saved of every hour; of cranking without meaning */
};

/* A disk may stand still for so long before anything is lost, unless `memory` says otherwise. */
#define HOOKUP_STALL_S 10.0

struct hookup_storage {
    uint64_t ring_bytes;      /* the disk ring's bound */
    uint64_t memory_bytes;    /* the memory ring's bound; */
    bool memory_given;        /*   false: the least, it grows to cover HOOKUP_STALL_S */
    uint64_t snapshot_bytes;  /* quota of all snapshots */
    uint64_t keep_free_bytes; /* of the file system */
    double loss_window_s;     /* at most so much is lost on a power cut */
    double before_s, after_s; /* of a snapshot, where the trigger does not say */
    double budget_s;          /* of a trigger, where it does not say */
};

struct hookup {
    struct vehicle vehicle; /* channels in file order; .stream is the index of their board */
    struct limits limits;
    const char *job, *technician, *shop; /* NULL: not given */
    size_t board_count;
    const struct hookup_board *boards;
    const enum hookup_scale *scale_kind; /* one per channel */
    size_t trigger_count;
    const struct hookup_trigger *triggers;
    struct hookup_storage storage;
    char *text; /* the whole file as read, for the head of a container */
};

/* What the file must have: a daemon needs boards and inputs, an import does not. */
enum hookup_use { HOOKUP_FOR_BOARDS, HOOKUP_FOR_IMPORT };

/*
 * Reads and checks `path` (or, in hookup_parse, `text` of `length` bytes). 0 and `*hookup`, or
 * -EINVAL with every problem found added to `problems`, or the file's own errno (-ENOENT,
 * -EACCES, -EFBIG above 1 MiB ...). `*hookup` is untouched on failure. hookup_load for boards also
 * opens and closes each board's driver (no device is touched) and fits what it can tell already.
 */
int hookup_load(const char *path, enum hookup_use use, struct hookup **hookup,
                struct problems *problems);
int hookup_parse(const char *text, size_t length, enum hookup_use use, struct hookup **hookup,
                 struct problems *problems);

/* A text for boards as hookup_load() reads a file: with the board files that it names, and each
 * driver tried. */
int hookup_parse_live(const char *text, size_t length, struct hookup **hookup,
                      struct problems *problems);

/*
 * The first board of `fresh` that is not as in `old` (driver, name of its board file, device, any
 * option, rate), by its name in `old` where `fresh` has
 * fewer; NULL: the boards are the same. What streams cannot take another board's place. Pure.
 */
const char *hookup_board_changed(const struct hookup *old, const struct hookup *fresh);

/*
 * Finishes the channels of one board once its description is known: scales given as divider
 * times the board's own volts per count, rails, skew. Where the board contradicts the hookup
 * (fewer inputs, no volts per count and none given), adds problems and returns -EINVAL.
 * Not concurrent with readers of the hookup's vehicle: call before streaming.
 */
int hookup_fit_board(struct hookup *hookup, size_t board,
                     const struct board_description *description, struct problems *problems);

/*
 * Of an imported record, whose columns have no board: channel `channel` is input `input` of stream
 * `stream`, with this scale and no rails; skew and delay stay as the hookup gives them. Takes the
 * place of hookup_fit_board for a head whose driver is "import". -ERANGE for a channel that is not
 * there.
 */
int hookup_fit_import(struct hookup *hookup, size_t channel, size_t stream, size_t input,
                      const struct scale *scale);

/* How it stands with the calibration of a channel's input. */
enum calibration_state {
    CALIBRATION_NONE,       /* this input of this board has none */
    CALIBRATION_APPLIED,    /* it is in the channel's scale */
    CALIBRATION_OTHER_SCALE /* it was made with another scale or unit, and is left alone */
};
struct hookup_calibration {
    enum calibration_state state;
    struct calibration calibration; /* unless CALIBRATION_NONE */
};

/*
 * All calibrations there are, of whatever board (copied, in place of those given before); each
 * hookup_fit_board() from now on applies those of the board that it is given, and no other's. 0 or
 * -ENOMEM. The same rule for readers as for hookup_fit_board().
 */
int hookup_calibrate(struct hookup *hookup, const struct calibration *calibrations, size_t count);

/* Of a channel, as it was fitted last; owned by the hookup. */
const struct hookup_calibration *hookup_calibration(const struct hookup *hookup, size_t channel);

/* The channel's scale without any calibration, as it was fitted last. */
const struct scale *hookup_nominal_scale(const struct hookup *hookup, size_t channel);

/*
 * What tells this board from all others: the identity that it tells of itself, else "device " and
 * the hookup's device where that names one board (a serial number, or a link in
 * /dev/serial/by-id). False: nothing does, and no calibration can be tied to it.
 */
bool hookup_board_key(const struct hookup_board *board, const struct board_description *description,
                      char key[CALIBRATION_BOARD]);

/* Frees; takes NULL. */
void hookup_free(struct hookup *hookup);

#endif
