// SPDX-License-Identifier: Apache-2.0
/*
 * manager.h - what the daemon says to the service manager that started it, and gets from it.
 *
 * Without one (started by hand) every call does nothing and costs nothing. Main thread only.
 */
#ifndef CRANKTRAP_MANAGER_H
#define CRANKTRAP_MANAGER_H

/* The one listening Unix socket handed over, close-on-exec; -ENOENT: none was; -EINVAL: something
 * else was. The caller closes it, and leaves its file to the manager. */
int manager_listener(void);

/* Started up, or done with a reload. */
void manager_ready(void);

/* One line of what it is doing; the same one again is not sent. */
void manager_status(const char *text);

/* A reload begins; manager_ready() ends it. */
void manager_reloading(void);

/* The end begins, and may take so long. */
void manager_stopping(unsigned seconds);

/* Alive: to be said more often than the manager's WatchdogSec. */
void manager_alive(void);

#endif
