// SPDX-License-Identifier: Apache-2.0
/*
 * hookup_talk.h - `cranktrap hookup`: asks what each lead is on, shows its live reading, and writes
 * the file.
 */
#ifndef CRANKTRAP_HOOKUP_TALK_H
#define CRANKTRAP_HOOKUP_TALK_H

#include "command.h"
#include "hookup_draft.h"
#include "hookup_live.h"

/* The whole conversation; an exit status. Writes to --out, or asks where. */
int hookup_talk(const struct command_line *line);

/* ---- its parts; all return 0, or -EINTR, -ENODATA as ask() does, or another negative errno ----
 */

/* hookup_board.c: which board, by which driver; ends with one that sends. */
int hookup_ask_board(struct draft *draft, struct hookup_live **live);

/* hookup_lead.c: what is on this input. */
int hookup_ask_lead(struct draft *draft, struct hookup_live *live, size_t input);

#endif
