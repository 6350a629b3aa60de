// SPDX-License-Identifier: Apache-2.0
/*
 * layout-serial.c - binary packets over a serial line, as a board file describes them.
 */
#include "layout_board.h"

static const struct board_option options[] = {
    {.name = "baud",
     .type = BOARD_OPTION_WHOLE,
     .standard = "115200",
     .lowest = 300,
     .highest = 12000000,
     .help = "bits a second of the serial line; boards on USB of their own ignore it"},
    {.name = "rate",
     .type = BOARD_OPTION_NUMBER,
     .required = true,
     .lowest = 0.01,
     .highest = 1000000,
     .help = "scans a second"},
    {0},
};

const struct board_driver board_driver_layout_serial;

static int open_board(const struct board_settings *settings, const struct board_sinks *sinks,
                      struct board **board, char *why, size_t why_size) {
    return layout_board_open(&board_driver_layout_serial, settings, sinks, board, why, why_size);
}

const struct board_driver board_driver_layout_serial = {
    .interface = BOARD_INTERFACE,
    .name = "layout-serial",
    .summary = "binary packets over a serial line, as a board file describes them",
    .shape = BOARD_STREAM,
    .bus = BOARD_SERIAL,
    .maturity = BOARD_TRIED_ON_FAKES_ONLY,
    .options = options,
    .silence_limit_s = 3,
    .open = open_board,
    .describe = layout_board_describe,
    .start = layout_board_start,
    .consume = layout_board_consume,
    .hole = layout_board_hole,
    .again = layout_board_again,
    .stop = layout_board_stop,
    .close = layout_board_close,
};
