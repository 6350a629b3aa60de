// SPDX-License-Identifier: Apache-2.0
/*
 * reload.h - another hookup into the place of the present one, while everything goes on.
 */
#ifndef CRANKTRAP_RELOAD_H
#define CRANKTRAP_RELOAD_H

#include "daemon.h"

/*
 * Reads the hookup again and exchanges it without losing a scan. What does not fit is said, and
 * the old one holds; while the starter is engaged it waits: reload_wanted stays set. Main thread.
 */
void reload(struct daemon *daemon);

#endif
