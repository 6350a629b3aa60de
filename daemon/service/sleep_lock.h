// SPDX-License-Identifier: Apache-2.0
/*
 * sleep_lock.h - while it watches, the computer must not go to sleep.
 */
#ifndef CRANKTRAP_SLEEP_LOCK_H
#define CRANKTRAP_SLEEP_LOCK_H

/*
 * Asks the system's login manager over the system bus to keep the computer awake, lid closed or
 * not; waits for its answer, at most two seconds. A descriptor: closing it (or the end of the
 * process) gives sleep free again. Or a negative errno: -ENOENT where there is no bus or no login
 * manager, and so nobody who puts the computer to sleep; -EACCES where it may not be asked.
 */
int sleep_lock_take(void);

#endif
