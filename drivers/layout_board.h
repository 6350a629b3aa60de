// SPDX-License-Identifier: Apache-2.0
/*
 * layout_board.h - boards whose packets a board file describes: the callbacks that the drivers
 * layout-serial, usb-bulk and usb-iso share. What differs between them is who sends the requests.
 */
#ifndef CRANKTRAP_LAYOUT_BOARD_H
#define CRANKTRAP_LAYOUT_BOARD_H

#include "board.h"

/* As in struct board_driver; `driver` is the one whose options these settings are. */
int layout_board_open(const struct board_driver *driver, const struct board_settings *settings,
                      const struct board_sinks *sinks, struct board **board, char *why,
                      size_t why_size);
int layout_board_describe(const struct board *board, struct board_description *description);
enum board_result layout_board_consume(struct board *board, const uint8_t *bytes, size_t count);
void layout_board_hole(struct board *board);
void layout_board_close(struct board *board);

/* start(), again() and stop() of a board that is sent requests over the line it answers on. */
int layout_board_start(struct board *board, struct board_bytes *request);
int layout_board_again(struct board *board, struct board_bytes *request);
int layout_board_stop(struct board *board, struct board_bytes *request);

/* start() of a board whose transport sends them: forgets what start() must. */
int layout_board_restart(struct board *board, struct board_bytes *request);

#endif
