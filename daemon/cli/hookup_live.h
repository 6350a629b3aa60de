// SPDX-License-Identifier: Apache-2.0
/*
 * hookup_live.h - a board's inputs, live, without a daemon and before there is a hookup.
 *
 * The board is run by the daemon's own intake, so what is shown here is what will be recorded.
 */
#ifndef CRANKTRAP_HOOKUP_LIVE_H
#define CRANKTRAP_HOOKUP_LIVE_H

#include "intake.h"
#include "watch.h"

#include <stdbool.h>
#include <stddef.h>

struct hookup_live;

/*
 * Starts the board of a hookup's section ("driver = ...\ndevice = ...\n", without its head).
 * 0, or a negative errno with every problem of the section in `problems`. The port is opened
 * behind it, and waited for.
 */
int hookup_live_open(const char *section, struct hookup_live **live, struct problems *problems);

/* Stops and frees; takes NULL. */
void hookup_live_close(struct hookup_live *live);

/* How the board is doing, and why not. */
void hookup_live_status(struct hookup_live *live, struct intake_status *status);

/* What the board is; false: it has not told yet. */
bool hookup_live_described(struct hookup_live *live, struct board_description *description);

/* Scans a second as they came so far; 0: too few to tell. */
double hookup_live_rate(struct hookup_live *live);

/*
 * An input over the last half second, in volts at the board's input; in counts where the board does
 * not say how many volts one is (volts_per_count is NAN). False: nothing came of it.
 */
bool hookup_live_read(struct hookup_live *live, size_t input, struct watch_reading *reading);

#endif
