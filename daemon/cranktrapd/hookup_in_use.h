// SPDX-License-Identifier: Apache-2.0
/*
 * hookup_in_use.h - which hookup file counts, and what is read from it. Main thread; what goes
 * wrong is said here.
 */
#ifndef CRANKTRAP_HOOKUP_IN_USE_H
#define CRANKTRAP_HOOKUP_IN_USE_H

#include "daemon.h"

/* Sets hookup_path: a copy in the state folder, changed over the API, counts instead of the file
 * that was named. 0 or -ENOMEM. */
int hookup_in_use_choose(struct daemon *daemon);

/* Reads it; the caller frees it. `instead` says what holds when that fails. 0 or a negative errno.
 */
int hookup_in_use_load(const struct daemon *daemon, const char *instead, struct hookup **hookup);

/* Puts the state folder's calibrations into `hookup`. Recording matters more than calibration:
 * without it the hookup's own scales hold. 0 or -ENOMEM. */
int hookup_in_use_calibrate(const struct daemon *daemon, struct hookup *hookup);

/* The vehicle's name, or words for one that has none; the hookup's. */
const char *hookup_in_use_vehicle(const struct daemon *daemon);

#endif
