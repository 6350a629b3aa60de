// SPDX-License-Identifier: Apache-2.0
/*
 * report_stretch.h - `cranktrap report --from TIME --to TIME`: the ring itself, analysed in place.
 */
#ifndef CRANKTRAP_REPORT_STRETCH_H
#define CRANKTRAP_REPORT_STRETCH_H

#include "command.h"
#include "report.h"

#include <stddef.h>

/*
 * Analyses what the state folder's ring holds from `from` to `to` (TIMEs as in moment.h, counted
 * from the end of the record; NULL: to its end), and says on stderr where it holds less.
 * COMMAND_DONE with `*report` and a title, or an exit status, said.
 */
int report_stretch(const struct command_line *line, const char *from, const char *to,
                   struct report **report, char *title, size_t title_size);

#endif
