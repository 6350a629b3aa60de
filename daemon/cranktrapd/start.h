// SPDX-License-Identifier: Apache-2.0
/*
 * start.h - makes the parts of a daemon in order, and ends them. Main thread; what goes wrong is
 * said here.
 */
#ifndef CRANKTRAP_START_H
#define CRANKTRAP_START_H

#include "daemon.h"

/* From a daemon with its command line and mailbox to a streaming one. `self` is argv[0]. 0 or a
 * negative errno; either way stop_daemon() ends what was made. */
int start_daemon(struct daemon *daemon, const char *self);

/* Takes half-started ones. In the order that loses nothing: no more samples in, all marks acted on,
 * all blocks on disk, then what reads the disk. */
void stop_daemon(struct daemon *daemon);

/* How the snapshots are kept, by the hookup's [storage]. */
struct snapshot_settings start_snapshot_settings(const struct hookup_storage *storage);

#endif
