// SPDX-License-Identifier: Apache-2.0
/*
 * trial_print.h - what a board's trial found, as text with what to do next, or as JSON.
 */
#ifndef CRANKTRAP_TRIAL_PRINT_H
#define CRANKTRAP_TRIAL_PRINT_H

#include "board_trial.h"

#include <jansson.h>

/* Text, on stdout. */
void trial_print(const struct hookup_board *board, const struct trial *trial);

/* cranktrap.boards-try/1; docs/json.md. */
json_t *trial_json(const struct hookup_board *board, const struct trial *trial);

#endif
