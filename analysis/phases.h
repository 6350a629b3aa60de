// SPDX-License-Identifier: Apache-2.0
/*
 * phases.h - which phase the vehicle is in, from whatever leads there are. Incremental.
 *
 * Evidence, in order of trust: starter current; sag, inrush and recovery of the battery; the
 * ignition and start lines; feeds (on with the key); edges of the signals (turning). Short loads
 * (lamps, glow plugs, a pump) sag the battery without the surge-and-ripple of a starter and are
 * not cranking. The same object runs on the live stream and on a file.
 */
#ifndef CRANKTRAP_PHASES_H
#define CRANKTRAP_PHASES_H

#include "circuit_limits.h"
#include "record.h"

#include <stdbool.h>

enum phase { PHASE_UNKNOWN, PHASE_KEY_OFF, PHASE_KEY_ON, PHASE_CRANKING, PHASE_RUNNING };

/* "key-off", "key-on", "cranking", "running", "unknown". */
const char *phase_name(enum phase phase);

struct phase_change {
    enum phase phase; /* the phase that begins, */
    double at_s;      /*   and when: interpolated between scans, up to 2 s back, never before the
                           change reported last */
};

struct phases;

/* A detector for the leads of `vehicle`, which it keeps a pointer to. 0 or -ENOMEM. */
int phases_new(const struct vehicle *vehicle, const struct limits *limits, struct phases **phases);

/* Frees; takes NULL. */
void phases_free(struct phases *phases);

/* Takes the next run. Runs of one stream come in order; streams may lag each other by a block. */
void phases_push(struct phases *phases, const struct record_run *run);

/* No more runs come: settles what was still open. */
void phases_finish(struct phases *phases);

/*
 * Takes the oldest change not yet taken: true and a change, or false. A cranking that begins is
 * reported within 100 ms of samples (within 2 s where only the battery's ripple or edges tell),
 * one that ends within 1 s. Take after every push: at most 64 changes wait.
 */
bool phases_take(struct phases *phases, struct phase_change *change);

/* The phase at the newest sample seen. */
enum phase phases_now(const struct phases *phases);

/* The battery's level before the present (or last) cranking, volts; NAN where it was never seen. */
double phases_rest_volts(const struct phases *phases);

#endif
