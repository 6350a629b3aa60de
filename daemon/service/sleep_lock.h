// SPDX-License-Identifier: Apache-2.0
/*
 * sleep_lock.h - while it watches, the computer must not go to sleep.
 *
 * One thread at a time. Nothing here waits: just after the computer has started, the login manager
 * may take many seconds to answer, as what it asks is started in its turn.
 */
#ifndef CRANKTRAP_SLEEP_LOCK_H
#define CRANKTRAP_SLEEP_LOCK_H

struct sleep_lock;

/* Asks the system's login manager over the system bus to keep the computer awake, lid closed or
 * not. 0 or -ENOMEM; to be freed by sleep_lock_free(). */
int sleep_lock_new(struct sleep_lock **lock);

/*
 * How it stands; to be called now and then, it takes the answer in. 0: held; -EINPROGRESS: there is
 * no answer yet; -ENOENT: there is no bus or no login manager, and so nobody who puts the computer
 * to sleep; -EACCES: it may not be asked; -ETIMEDOUT: no answer, however often it was asked; or
 * another errno.
 */
int sleep_lock_look(struct sleep_lock *lock);

/* Gives sleep free again (as the end of the process does). NULL is allowed. */
void sleep_lock_free(struct sleep_lock *lock);

#endif
