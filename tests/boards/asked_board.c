// SPDX-License-Identifier: Apache-2.0
/*
 * asked_board.c - asked_board.py at the other end of two pipes.
 */
#include "asked_board.h"

#include <signal.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <unistd.h>

#define SCRIPT CRANKTRAP_SOURCE "/tests/boards/asked_board.py"

static unsigned read_reply(struct asked_board *board) {
    char line[32];
    if (!fgets(line, sizeof line, board->replies)) {
        fputs("asked_board.py has ended\n", stderr);
        exit(3);
    }
    return (unsigned)strtoul(line, NULL, 10);
}

void asked_board_start(struct asked_board *board, const char *link, const char *answers) {
    int orders[2], replies[2];
    if (pipe(orders) < 0 || pipe(replies) < 0 || (board->process = fork()) < 0)
        abort();
    if (board->process == 0) {
        dup2(orders[0], STDIN_FILENO);
        dup2(replies[1], STDOUT_FILENO);
        close(orders[1]); /* or it would not see us go */
        execlp("python3", "python3", "-B", SCRIPT, link, answers ? "--answers" : NULL, answers,
               NULL);
        _exit(127);
    }
    close(orders[0]);
    close(replies[1]);
    board->orders = fdopen(orders[1], "w");
    board->replies = fdopen(replies[0], "r");
    (void)read_reply(board);
}

unsigned asked_board_tell(struct asked_board *board, const char *order) {
    fprintf(board->orders, "%s\n", order);
    fflush(board->orders);
    return read_reply(board);
}

void asked_board_end(struct asked_board *board) {
    fclose(board->orders);
    fclose(board->replies);
    (void)waitpid(board->process, NULL, 0);
}
