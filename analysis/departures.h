// SPDX-License-Identifier: Apache-2.0
/*
 * departures.h - moments at which a circuit left its limit: a feed or a supply that fell, a return
 * or a ground that rose. Incremental.
 *
 * A feed is judged against its sensor's return (feeds.h), a supply against the battery, a return
 * by itself (returns.h), and so a ground, which means something only where the board's ground is at
 * the battery's negative post. Whether a departure is an event (and not a key turned off, or the
 * starter's first surge) is decided later, from the phases.
 */
#ifndef CRANKTRAP_DEPARTURES_H
#define CRANKTRAP_DEPARTURES_H

#include "circuit_limits.h"
#include "record.h"

#include <stdbool.h>
#include <stddef.h>

#define DEPARTURE_SPELLS 32 /* spells of one departure that are kept; further ones are counted */

/* Out of the limit from here to there (NAN: to the end of what is known). */
struct departure_spell {
    double from_s, to_s;
};

struct departure {
    size_t channel;
    double from_s, from_until_s; /* the onset lies in between */
    double to_s;                 /* NAN: it lasts to the end of the record */
    double depth;                /* volts beyond the limit, at most */
    unsigned times;              /* it came back and left again so often, within moments */
    bool ended_by_loss;          /* samples are missing where it might have come back */
    size_t spell_count;          /* all of them: departures_spells() says how many are kept */
    struct departure_spell spells[DEPARTURE_SPELLS];
};

struct departures;

/* A detector for all such leads of `vehicle`, which it keeps a pointer to. 0 or -ENOMEM. */
int departures_new(const struct vehicle *vehicle, const struct limits *limits,
                   struct departures **departures);

/* Frees; takes NULL. */
void departures_free(struct departures *departures);

/* Takes the next run; 0 or -ENOMEM. */
int departures_push(struct departures *departures, const struct record_run *run);

/* No more runs come; 0 or -ENOMEM. */
int departures_finish(struct departures *departures);

/* The departures in order of their channels, then of time; they belong to `departures`. */
const struct departure *departures_list(const struct departures *departures, size_t *count);

/* How many spells of the departure are kept. */
size_t departures_spells(const struct departure *departure);

/* Departures beyond the most that are kept (a lead that flutters for hours). */
size_t departures_dropped(const struct departures *departures);

#endif
