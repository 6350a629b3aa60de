// SPDX-License-Identifier: Apache-2.0
/*
 * actions.h - what the daemon does about messages: writes marks and the head into the stream, asks
 * for snapshots, turns flushing up and down, and says what happened, once.
 */
#ifndef CRANKTRAP_ACTIONS_H
#define CRANKTRAP_ACTIONS_H

#include "daemon.h"

/* Acts on all that is in the mailbox. Main thread. */
void actions_take(struct daemon *daemon);

/* Flushes no longer at once where what it was for is over. Main thread, now and then. */
void actions_calm(struct daemon *daemon);

/* The ring's head anew, after a change of hookup or boards; a failure is said. Main thread. */
void actions_head(struct daemon *daemon);

/* Any thread. The message of a mark into the stream. 0 or a negative errno. */
int actions_mark(struct daemon *daemon, const struct message *message);

/* Any thread. Asks for the snapshot around a mark: its number, or a negative errno. */
int actions_snapshot(struct daemon *daemon, const struct message *message);

#endif
