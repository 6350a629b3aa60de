// SPDX-License-Identifier: Apache-2.0
/*
 * board.h - what a driver is: one `const struct board_driver`, in a file of its name, listed once
 * in drivers.h.
 *
 * Two shapes share the same three sinks.
 *   stream: the core owns the port and the bytes; the driver only turns bytes into scans. It does
 *           no I/O, starts no thread, reads no clock, allocates nothing after open().
 *   poll:   the driver gets scans itself in fetch(), on a thread that the core provides.
 *
 * Unused callbacks are NULL. Errors are negative errno. A driver never logs and never exits: it
 * reports, and the core decides. All calls for one board come from one thread at a time.
 */
#ifndef CRANKTRAP_BOARD_H
#define CRANKTRAP_BOARD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define BOARD_INTERFACE  1   /* raised when this file changes incompatibly */
#define BOARD_INPUTS_MAX 64  /* inputs of one board */
#define BOARD_BYTES_MAX  256 /* of one request to a board */

struct board_driver;
struct board_file; /* board_file.h */

enum board_shape { BOARD_STREAM, BOARD_POLL };
enum board_bus { BOARD_SIMULATED, BOARD_SERIAL, BOARD_USB, BOARD_KERNEL };
enum board_maturity { BOARD_TRIED_ON_FAKES_ONLY, BOARD_TRIED_ON_HARDWARE };

/* What consume() made of its bytes; the core counts each. */
enum board_result {
    BOARD_OK,        /* at least one scan or answer was taken */
    BOARD_NEED_MORE, /* nothing whole yet */
    BOARD_RESYNC,    /* bytes were passed over to find the next packet */
    BOARD_BAD_CHECK, /* a packet with a wrong check sum was thrown away */
    BOARD_BAD_LENGTH,
    BOARD_INSANE_VALUE, /* well formed, but cannot be: wrong number of inputs, out of range */
    BOARD_RESULTS
};
/* "ok", "need more", "resync", "bad check", "bad length", "insane value". */
const char *board_result_name(enum board_result result);

/* The worse of two: need more < ok < resync < bad check < bad length < insane value. */
enum board_result board_result_worse(enum board_result one, enum board_result other);

/* Why scans are missing. */
enum board_loss {
    BOARD_LOSS_PACKET,    /* packets missing on the wire, by the board's own counter */
    BOARD_LOSS_DAMAGED,   /* packets or lines arrived damaged */
    BOARD_LOSS_OVERRUN,   /* the board says that it dropped scans itself */
    BOARD_LOSS_RESTARTED, /* the board started anew */
    BOARD_LOSS_LATE,      /* this computer was too slow to fetch them */
    BOARD_LOSS_NO_ANSWER, /* the board was asked for them, and did not answer */
    BOARD_LOSS_REFUSED,   /* the board was asked for them, and said no */
    BOARD_LOSS_DEAD_TIME, /* no loss: a burst board's pause, by design, passes over so many */
    BOARD_LOSSES
};
/* "packet lost", "damaged", "overrun", "board restarted", "fetched late", "no answer", "refused",
 * "dead time". */
const char *board_loss_name(enum board_loss reason);
#define BOARD_LOSS_UNKNOWN UINT64_MAX /* a number of scans that nobody counted */

enum board_note {
    BOARD_NOTE_DESCRIBED, /* describe() will now succeed (or its answer has changed) */
    BOARD_NOTE_ALIVE,     /* bytes made sense though no scan came of them */
    BOARD_NOTE_TIME,      /* poll boards with a time base of their own: see board_sinks.note */
};

/* Where a driver's results go. All three may be called only inside consume() and fetch(). */
struct board_sinks {
    void *context;

    /* `scans` whole scans, one after the other: counts[scan * inputs + input]. */
    void (*samples)(void *context, const int32_t *counts, size_t scans);

    /* `scans` scans are missing right here, or BOARD_LOSS_UNKNOWN. Dead time is always counted. */
    void (*loss)(void *context, enum board_loss reason, uint64_t scans);

    /*
     * BOARD_NOTE_TIME: `value` is the board's own elapsed time in nanoseconds after the samples
     * emitted so far (only a simulated board that does not run in real time). Else `value` is 0.
     */
    void (*note)(void *context, enum board_note note, int64_t value);
};

/* What one board's scans look like. */
struct board_description {
    size_t inputs;
    unsigned bits[BOARD_INPUTS_MAX];          /* 1..32 significant bits */
    int32_t rail_low[BOARD_INPUTS_MAX];       /* lowest and highest count that can come; */
    int32_t rail_high[BOARD_INPUTS_MAX];      /*   rail_low > rail_high: not known */
    double volts_per_count[BOARD_INPUTS_MAX]; /* at the board's input; NAN: the hookup must say */
    double zero_counts[BOARD_INPUTS_MAX];     /* counts at 0 V; 0 unless the input is offset */
    double rate_hz;                           /* scans a second as claimed; 0: not known */
    double skew_s; /* from one input to the next within a scan; NAN: unknown, within a scan */
    double input_skew_s[BOARD_INPUTS_MAX]; /* later than that rule says; 0 */
    double delay_s[BOARD_INPUTS_MAX];      /* the input's lag: the value is that much old; 0 */
    double dead_time_s;                    /* between bursts, by design; 0: a steady stream */
    char identity[64]; /* name and serial number as the board tells them; "" where it does not */
};

/* An option a driver reads: a key of the board's section in the hookup file. */
enum board_option_type {
    BOARD_OPTION_NUMBER,
    BOARD_OPTION_WHOLE,
    BOARD_OPTION_WORD,
    BOARD_OPTION_TEXT
};
struct board_option {
    const char *name;
    enum board_option_type type;
    const char *standard; /* default as text; NULL: none, and `required` decides */
    bool required;
    double lowest, highest; /* numbers: allowed range */
    const char *words;      /* words: allowed ones, "a|b|c" */
    const char *help;       /* one line; what a wrong value's message quotes */
};

/* A key and its value as read; only keys of the driver's table, already checked against it. */
struct board_setting {
    const char *name;
    const char *value;
};
struct board_settings {
    size_t count;
    const struct board_setting *setting;
    const struct board_file *file; /* the hookup named one; NULL: it named the driver itself */
    const char *device;            /* as the hookup names it; NULL: it does not */
};
/* The setting's text, or the option's default, or NULL. */
const char *board_setting_text(const struct board_driver *driver,
                               const struct board_settings *settings, const char *name);
/* The same as a number; `missing` where there is neither setting nor default. */
double board_setting_number(const struct board_driver *driver,
                            const struct board_settings *settings, const char *name,
                            double missing);

/* A device this driver takes (USB and USB-serial); a row of zeros ends the table. */
struct board_id {
    uint16_t vendor, product;
    const char *serial_pattern; /* fnmatch; NULL: any */
    uint64_t quirks;
};

/* Bytes for the board, filled by start(), stop() and command(). */
struct board_bytes {
    size_t count;
    uint8_t byte[BOARD_BYTES_MAX];
};

struct board; /* one open board: each driver's own */

struct board_driver {
    uint32_t interface; /* BOARD_INTERFACE */
    const char *name;   /* = file name without .c */
    const char *summary;
    enum board_shape shape;
    enum board_bus bus;
    enum board_maturity maturity;
    const struct board_id *ids;         /* NULL: taken only when named in a hookup */
    const struct board_option *options; /* ends with a NULL name; NULL: none */
    double silence_limit_s;             /* nothing for so long is a fault: the port is reopened */
    double boot_delay_s;                /* opening may reset the board: it is deaf for so long */
    bool keep_modem_lines;              /* do not let closing drop DTR (would reset the board) */

    /*
     * Makes a board from settings. `sinks` is copied. Touches no device. On failure returns a
     * negative errno, leaves `*board` alone and, where `why` is not NULL, writes a plain sentence
     * of at most `why_size` bytes into it.
     */
    int (*open)(const struct board_settings *settings, const struct board_sinks *sinks,
                struct board **board, char *why, size_t why_size);

    /* Fills `*description`; 0, or -EAGAIN while the board has not yet told (stream boards). */
    int (*describe)(const struct board *board, struct board_description *description);

    /*
     * Begins (or begins anew after a reconnect: forgets partial packets and the scan counter, so
     * that no loss is ever told across a start(): that one is the core's to tell). What describe()
     * knew is kept. Stream boards may leave bytes to send in `*request`; poll boards get their
     * device ready. 0 or a negative errno.
     */
    int (*start)(struct board *board, struct board_bytes *request);

    /*
     * Stream only. Takes all of `bytes`, keeps a partial packet for the next call, calls the
     * sinks. Returns the worst result met: BOARD_OK only where nothing was thrown away. Never
     * allocates, never blocks.
     */
    enum board_result (*consume)(struct board *board, const uint8_t *bytes, size_t count);

    /*
     * Stream only. Bytes are missing between those consumed last and the next. The driver forgets
     * its partial packet, keeps its counter, and tells the loss when it next can, unknown where
     * nothing on the wire counts. NULL: it cannot, and the core begins anew with start().
     */
    void (*hole)(struct board *board);

    /*
     * Poll only. Gets what there is, waits at most `deadline_ms` for it, calls the sinks. Returns
     * the number of scans (0: none in time), or a negative errno: -ENODEV the device has gone,
     * -ENODATA it will never give more (a simulation at its end).
     */
    int (*fetch)(struct board *board, int deadline_ms);

    /*
     * Poll only. A plain sentence why start() or fetch() failed last, or why no scan has come for
     * a while, and what to do; "" where there is nothing to say. It lasts until the next call.
     * NULL: the driver has none.
     */
    const char *(*explain)(const struct board *board);

    /* Stream only: what to send when the board has been asked nothing useful back for a while
     * (a describe or start request may have been lost). NULL: nothing. Same rules as start(). */
    int (*again)(struct board *board, struct board_bytes *request);

    /* Ends the flow of scans; may leave bytes to send. 0 or a negative errno. */
    int (*stop)(struct board *board, struct board_bytes *request);

    /* Frees; takes NULL and half-made boards. */
    void (*close)(struct board *board);
};

#endif
