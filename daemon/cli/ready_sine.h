// SPDX-License-Identifier: Apache-2.0
/*
 * ready_sine.h - `cranktrap ready --sine CHANNEL[=HZ]`: effective bits of an input.
 */
#ifndef CRANKTRAP_READY_SINE_H
#define CRANKTRAP_READY_SINE_H

#include "command.h"

#include <stdbool.h>

/* Does what the option asks; false where it is not there. */
bool ready_sine(struct command_line *line, int *status);

#endif
