// SPDX-License-Identifier: Apache-2.0
/*
 * timebase.h - the one time every period of the daemon counts on.
 *
 * Elapsed nanoseconds: CLOCK_BOOTTIME, unless a simulated board that does not run in real time
 * drives it. Wall time is a mapping beside it and may be wrong or jump.
 */
#ifndef CRANKTRAP_TIMEBASE_H
#define CRANKTRAP_TIMEBASE_H

#include <stdbool.h>
#include <stdint.h>

struct timebase;

/* On the boot clock. 0 or -ENOMEM. */
int timebase_new(struct timebase **timebase);
void timebase_free(struct timebase *timebase); /* takes NULL */

/* Any thread. Elapsed time, and wall time since 1970, nanoseconds. */
int64_t timebase_elapsed_ns(struct timebase *timebase);
int64_t timebase_wall_ns(struct timebase *timebase);

/*
 * A simulated board supplies the time from now on: elapsed starts at the boot clock's present
 * value, which is returned, and moves only by timebase_drive(), never back. Wall time at that
 * moment is `wall_start_ns` (0: now). Where another board has taken over before, only that moment
 * is returned: several simulated boards share it, and the furthest leads.
 */
int64_t timebase_take_over(struct timebase *timebase, int64_t wall_start_ns);
void timebase_drive(struct timebase *timebase, int64_t since_take_over_ns);
bool timebase_driven(struct timebase *timebase);

/* This boot's id, 16 bytes (zeros where the system does not tell; another one when driven). */
void timebase_boot(struct timebase *timebase, uint8_t boot[16]);

#endif
