// SPDX-License-Identifier: Apache-2.0
/*
 * ready_known.h - `cranktrap ready --known CHANNEL=VOLTS` and `--forget CHANNEL`.
 */
#ifndef CRANKTRAP_READY_KNOWN_H
#define CRANKTRAP_READY_KNOWN_H

#include "command.h"

#include <stdbool.h>

/* Does what these options ask, one after the other; false where there are none. */
bool ready_known(struct command_line *line, int *status);

#endif
