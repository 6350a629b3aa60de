// SPDX-License-Identifier: Apache-2.0
/*
 * places.h - where the daemon keeps things, and where its programs and its page are.
 */
#ifndef CRANKTRAP_PLACES_H
#define CRANKTRAP_PLACES_H

#include "daemon.h"

/* Makes the state folder where there is none, and locks it for this daemon alone: state_lock, to be
 * closed. 0 or a negative errno; what went wrong is said. */
int places_lock(struct daemon *daemon);

/* Sets the paths below the state folder, program and page_folder, all to be freed. `self` is
 * argv[0]. 0 or -ENOMEM. */
int places_find(struct daemon *daemon, const char *self);

#endif
