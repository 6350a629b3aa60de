// SPDX-License-Identifier: Apache-2.0
/*
 * boards_try.h - `cranktrap boards --try`: the bring-up of a board; `--record` keeps its bytes.
 */
#ifndef CRANKTRAP_BOARDS_TRY_H
#define CRANKTRAP_BOARDS_TRY_H

#include "command.h"

/* `what` is a path to a board file, a board file's name, or a driver's. An exit status. */
int boards_try(struct command_line *line, const char *what);

#endif
