// SPDX-License-Identifier: Apache-2.0
/*
 * usb-iso.c - packets over an isochronous endpoint, as a board file describes them. The bus keeps
 * its time and repeats nothing: a USB packet that was damaged is a hole, told by the transport.
 */
#include "layout_board.h"

static const struct board_option options[] = {
    {.name = "rate",
     .type = BOARD_OPTION_NUMBER,
     .required = true,
     .lowest = 0.01,
     .highest = 10000000,
     .help = "scans a second"},
    {0},
};

const struct board_driver board_driver_usb_iso;

static int open_board(const struct board_settings *settings, const struct board_sinks *sinks,
                      struct board **board, char *why, size_t why_size) {
    return layout_board_open(&board_driver_usb_iso, settings, sinks, board, why, why_size);
}

const struct board_driver board_driver_usb_iso = {
    .interface = BOARD_INTERFACE,
    .name = "usb-iso",
    .summary = "packets over a USB isochronous endpoint, as a board file describes them",
    .shape = BOARD_STREAM,
    .bus = BOARD_USB,
    .maturity = BOARD_TRIED_ON_FAKES_ONLY,
    .options = options,
    .silence_limit_s = 3,
    .open = open_board,
    .describe = layout_board_describe,
    .start = layout_board_restart,
    .consume = layout_board_consume,
    .hole = layout_board_hole,
    .close = layout_board_close,
};
