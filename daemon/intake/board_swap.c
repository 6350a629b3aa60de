// SPDX-License-Identifier: Apache-2.0
/*
 * board_swap.c - notices that another board is at a port than was there before.
 *
 * Only a board that the hookup names by its port can be swapped: a serial number names the board
 * itself, wherever it is plugged in.
 */
#include "intake_board.h"

#include <stdio.h>
#include <string.h>

/* The board of the hookup that had this serial number first, or NULL. */
static const struct intake_board *seen_with(struct intake_board *board, const char *serial) {
    struct intake *intake = board->intake;
    for (size_t i = 0; i < intake->board_count; i++) {
        struct intake_board *other = &intake->boards[i];
        if (other == board)
            continue;
        pthread_mutex_lock(&other->mutex);
        bool same = strcmp(other->serial, serial) == 0;
        pthread_mutex_unlock(&other->mutex);
        if (same)
            return other;
    }
    return NULL;
}

void board_swap_notice(struct intake_board *board, const char *serial) {
    char note[sizeof board->note] = "";
    if (serial[0] == '\0')
        return; /* two boards without one cannot be told apart */
    const struct intake_board *other = seen_with(board, serial);
    pthread_mutex_lock(&board->mutex);
    if (board->serial[0] == '\0')
        (void)snprintf(board->serial, sizeof board->serial, "%s", serial);
    bool swapped = strcmp(board->serial, serial) != 0;
    if (swapped && other != NULL)
        (void)snprintf(note, sizeof note,
                       "the board with serial number %s, which was board %s, is at this port now: "
                       "were two plugs swapped? Its leads get this board's names",
                       serial, other->hookup->name);
    else if (swapped)
        (void)snprintf(note, sizeof note,
                       "another board is at this port now: serial number %s, it was %s. Its leads "
                       "get the names of the one before",
                       serial, board->serial);
    memcpy(board->note, note, sizeof note);
    pthread_mutex_unlock(&board->mutex);
    if (swapped)
        intake_board_say(board, INTAKE_OPENING, "%s", note);
}
