// SPDX-License-Identifier: Apache-2.0
/*
 * taps.h - where the modules' threads come into the daemon: intake's, watch's, the snapshots', the
 * reporter's and the API's.
 *
 * What a tap learns goes into the mailbox, for the main thread (actions.h), except what must be
 * answered at once. `daemon` must outlive what it is tapped for.
 */
#ifndef CRANKTRAP_TAPS_H
#define CRANKTRAP_TAPS_H

#include "daemon.h"

/* The callbacks for each module; they are called on its threads. */
struct intake_tap taps_of_intake(struct daemon *daemon);
struct watch_sinks taps_of_watch(struct daemon *daemon);
struct reporter_tap taps_of_reporter(struct daemon *daemon);
struct snapshot_tap taps_of_snapshots(struct daemon *daemon);

/* Sets what the API asks the daemon for (keep, note, reload) in `parts`, and its context. */
void taps_of_serve(struct daemon *daemon, struct serve_parts *parts);

#endif
