// SPDX-License-Identifier: Apache-2.0
/*
 * list_change.h - what `cranktrap list` changes: reviewed, hold, good, notes, deletion.
 */
#ifndef CRANKTRAP_LIST_CHANGE_H
#define CRANKTRAP_LIST_CHANGE_H

#include "command.h"

/*
 * Takes the options out of `line` (and the words that belong to --note), and does what they say, by
 * the daemon where one runs, else in the state folder. `*changes` is how many there were. An exit
 * status; what was done, or went wrong, is said.
 */
int list_change(struct command_line *line, unsigned *changes);

#endif
