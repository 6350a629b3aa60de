// SPDX-License-Identifier: Apache-2.0
/*
 * reading.h - how the parts of hookup take values out of a document. Internal to hookup.
 *
 * A reader takes every key it knows; a key that nobody has taken is unknown, and
 * reading_rest() says so. Every wrong value becomes a problem and reads as "not given".
 */
#ifndef CRANKTRAP_READING_H
#define CRANKTRAP_READING_H

#include "document.h"
#include "hookup.h"
#include "quantity.h"

struct reading {
    const struct document *document;
    struct problems *problems;
    struct arena *arena;
    enum hookup_use use;
    bool try_boards;
    struct hookup_whole *whole; /* being built */
    bool out_of_memory;
};

/* A hookup with what only this folder needs to know of it. */
struct hookup_whole {
    struct hookup hookup; /* first: a hookup is cast back to its whole */
    struct arena arena;
    struct hookup_board *boards;
    bool *board_sound;                /* one per board: nothing was wrong with its own section */
    struct vehicle_channel *channels; /* hookup.vehicle.channels, writable */
    struct channel_fit *fits;         /* one per channel */
    struct board_file_read **board_files;
    size_t board_file_count;
    struct calibration *calibrations; /* hookup_calibrate(): all that are known, of any board */
    size_t calibration_count;
};

/* What hookup_fit_board needs of a channel beyond its scale so far. */
struct channel_fit {
    unsigned line;
    const char *title;
    bool has_board;
    bool role_known; /* false: the role was wrong, and nothing more is said about it */
    double factor;   /* HOOKUP_SCALE_TIMES_BOARD: unit per volt at the board's input */
    double offset;   /* in the channel's unit */
    bool skew_given, delay_given;
    struct scale nominal; /* as the hookup and the board give it, before any calibration */
    struct hookup_calibration calibration;
};

/* Adds a problem at `entry`, or at the section where `entry` is NULL. */
void reading_problem(struct reading *reading, const struct document_section *section,
                     const struct document_entry *entry, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

/* The entry of that key, or NULL. An empty value is a problem and reads as NULL. */
const struct document_entry *reading_entry(struct reading *reading,
                                           const struct document_section *section, const char *key);

/* The entry of that key; where it is missing, a problem says what should stand there. */
const struct document_entry *reading_required(struct reading *reading,
                                              const struct document_section *section,
                                              const char *key, const char *what);

/* The text of that key, or NULL. */
const char *reading_text(struct reading *reading, const struct document_section *section,
                         const char *key);

/* Reads a number within [lowest, highest]; true and `*value` where it is given and good. */
bool reading_number(struct reading *reading, const struct document_section *section,
                    const char *key, enum quantity quantity, double lowest, double highest,
                    double *value);

/* The same of a whole number. */
bool reading_whole(struct reading *reading, const struct document_section *section, const char *key,
                   double lowest, double highest, uint64_t *value);

/* The number in `entry` itself; `text` may be a part of its value. */
bool reading_quantity(struct reading *reading, const struct document_section *section,
                      const struct document_entry *entry, const char *text, enum quantity quantity,
                      double lowest, double highest, double *value);

/* Index of the word of `entry` in `words`, or -1 and a problem that lists them. */
int reading_word(struct reading *reading, const struct document_section *section,
                 const struct document_entry *entry, const char *const *words, size_t count);

/* Whether the value of `entry` is one of this option of a driver; else a problem. */
bool reading_option(struct reading *reading, const struct document_section *section,
                    const struct board_option *option, const struct document_entry *entry);

/*
 * Every key that nobody took becomes a problem. `keys`, ended by NULL, are those of this kind of
 * section; `more` (may be NULL) are further ones.
 */
void reading_rest(struct reading *reading, const struct document_section *section,
                  const char *const *keys, const struct board_option *more);

/* The next section of that kind after `after` (NULL: the first), or NULL. */
const struct document_section *reading_next(const struct reading *reading,
                                            const struct document_section *after, const char *kind);

/*
 * The only section of that kind, or NULL where there is none. A second one, or a name, is a
 * problem.
 */
const struct document_section *reading_only(struct reading *reading, const char *kind);

/* How many sections of that kind there are. */
size_t reading_count(const struct reading *reading, const char *kind);

/*
 * Whether the section's name can be used: a sound one, and not that of an earlier section of its
 * kind. Else a problem, and false: the section is passed over.
 */
bool reading_name(struct reading *reading, const struct document_section *section);

/* Reads the key `ground` of a vehicle or a board; true and `*ground` where it is given and good. */
bool reading_ground(struct reading *reading, const struct document_section *section,
                    enum ground_point *ground);

/* Reads `before` and `after` of a trigger, or of [storage]; left alone where not given. */
void reading_stretch(struct reading *reading, const struct document_section *section,
                     double *before_s, double *after_s);

/* Every section whose kind is not in `kinds` becomes a problem. */
void reading_kinds(struct reading *reading, const char *const *kinds, size_t count);

/* `size` zeroed bytes of the arena; NULL, and out_of_memory set, without memory. */
void *reading_take(struct reading *reading, size_t size);

/*
 * Opens every board's driver with its settings, which touches no device, and fits what it can tell
 * already: what the board will refuse, or lacks, is a problem of the file now and not of the night.
 */
void reading_try_boards(struct reading *reading);

/* The parts. Each reads its own kinds of section, in this order. */
void reading_vehicle(struct reading *reading);
void reading_boards(struct reading *reading);
void reading_channels(struct reading *reading);
void reading_sensors(struct reading *reading);
void reading_triggers(struct reading *reading);
void reading_limits(struct reading *reading);
void reading_storage(struct reading *reading);

#endif
