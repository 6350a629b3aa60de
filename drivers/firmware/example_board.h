/* SPDX-License-Identifier: Apache-2.0 */
/*
 * example_board.h - a whole board around the encoder, for any microcontroller: a timer's tick, two
 * buffers, describe, start and stop. What is the chip's own stands behind four hooks.
 *
 * C99, no heap. The tick may come in an interrupt; all else is for the main loop:
 *
 *     example_board_begin(&board);     once; halt where it says -1
 *     for (;;) example_board_step();   as often as there is nothing else to do
 */
#ifndef CRANKTRAP_EXAMPLE_BOARD_H
#define CRANKTRAP_EXAMPLE_BOARD_H

#include "wire_encoder.h"

#ifndef EXAMPLE_INPUTS
#define EXAMPLE_INPUTS 4
#endif
#ifndef EXAMPLE_SCANS
#define EXAMPLE_SCANS 20 /* of one buffer, and so of one packet */
#endif

/* ---- the four hooks: yours ---- */

/* Starts or stops the timer that calls example_board_tick() at the rate that was told. */
void example_hook_timer(int run);

/* Converts every input, now; inside the tick. */
void example_hook_convert(int32_t counts[EXAMPLE_INPUTS]);

/* Takes as many of the bytes as there is room for, without waiting; how many. */
size_t example_hook_send(const uint8_t *bytes, size_t count);

/* The next byte that has come, or -1 when there is none; must not wait. */
int example_hook_receive(void);

/* ---- the board ---- */

/* Waits to be asked for scans. 0, or -1 when this board cannot be: see wire_encoder_begin(), or a
 * packet of EXAMPLE_SCANS does not fit into WIRE_PAYLOAD_MAX. */
int example_board_begin(const struct wire_board *board);

/* One scan. By the timer's interrupt, never while itself is running. */
void example_board_tick(void);

/* Answers, packs and sends what there is; returns soon. */
void example_board_step(void);

#endif
