// SPDX-License-Identifier: Apache-2.0
/*
 * asked_board.h - asked_board.py, started and told what to do wrong.
 */
#ifndef CRANKTRAP_ASKED_BOARD_H
#define CRANKTRAP_ASKED_BOARD_H

#include <stdio.h>
#include <sys/types.h>

struct asked_board {
    pid_t process;
    FILE *orders, *replies;
};

/* `link` becomes its port; `answers` a recording, NULL: a Modbus slave. Ends the program where that
 * fails. */
void asked_board_start(struct asked_board *board, const char *link, const char *answers);

/* One order; returns when it is obeyed: how many questions there were. */
unsigned asked_board_tell(struct asked_board *board, const char *order);

void asked_board_end(struct asked_board *board);

#endif
