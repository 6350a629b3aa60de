// SPDX-License-Identifier: Apache-2.0
/*
 * workers.h - a few threads and a bounded queue: what takes longer than an answer may is done here,
 * never on libmicrohttpd's thread and never on one of acquisition's.
 */
#ifndef CRANKTRAP_WORKERS_H
#define CRANKTRAP_WORKERS_H

#include <stddef.h>

struct workers;

/* Starts `threads` of them (niced by 10: acquisition comes first). 0 or a negative errno. */
int workers_start(size_t threads, struct workers **workers);

/*
 * Any thread: has `work` called on one of them, in the order of asking. -EBUSY while as many jobs
 * wait as may (32), and once they have been stopped.
 */
int workers_put(struct workers *workers, void (*work)(void *context), void *context);

/* Does all that waits, and ends the threads. Takes NULL. */
void workers_stop(struct workers *workers);
void workers_free(struct workers *workers); /* stopped, or NULL */

#endif
