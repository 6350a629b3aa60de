// SPDX-License-Identifier: Apache-2.0
/*
 * hookup_draft.h - what was answered so far, what a reading looks like, and the file it makes.
 * Pure.
 */
#ifndef CRANKTRAP_HOOKUP_DRAFT_H
#define CRANKTRAP_HOOKUP_DRAFT_H

#include "ask.h"
#include "board.h"
#include "vehicle.h"
#include "watch.h"

#include <stdbool.h>
#include <stddef.h>

#define DRAFT_NAME_BYTES 49 /* as the hookup file allows, and its end */

struct draft_lead {
    bool used; /* false: nothing is on this input */
    enum role role;
    char name[DRAFT_NAME_BYTES];
    char sensor[DRAFT_NAME_BYTES]; /* of a feed, return or signal; else "" */
    char nominal[ASK_BYTES];       /* of a feed; "" not given */
    char scale[ASK_BYTES];         /* lines of the file, "" none */
};

struct draft_sensor {
    char name[DRAFT_NAME_BYTES];
    enum sensor_kind kind;
    enum shaft shaft;
    enum place place;
    char pull_up[ASK_BYTES]; /* "" not known */
    char wheel[ASK_BYTES];
};

struct draft {
    char vehicle[ASK_BYTES], complaint[ASK_BYTES], cylinders[ASK_BYTES], system[ASK_BYTES];
    enum ground_point ground;
    char board[8 * ASK_BYTES]; /* lines of its section */
    size_t lead_count;         /* one an input */
    struct draft_lead leads[BOARD_INPUTS_MAX];
    size_t sensor_count;
    struct draft_sensor sensors[BOARD_INPUTS_MAX];
};

/*
 * The role a reading suggests, with a sentence why. `volts`: the reading is in volts at the board's
 * input; else in counts, of which only edges tell anything. `input`'s own lead is not looked at.
 */
enum role draft_propose(const struct draft *draft, size_t input,
                        const struct watch_reading *reading, bool volts, char *why, size_t size);

/* A name for the lead that no other has: the sensor's with its role, else the role. */
void draft_name_lead(struct draft *draft, size_t input);

/* The sensor of that name, made where it is new (`*made`, may be NULL, tells). NULL: no room. */
struct draft_sensor *draft_sensor(struct draft *draft, const char *name, bool *made);

/* May it stand in a hookup file as a name? */
bool draft_name_is_good(const char *name);

/* The file's text, allocated; NULL: no memory. */
char *draft_text(const struct draft *draft);

#endif
