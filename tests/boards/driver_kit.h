// SPDX-License-Identifier: Apache-2.0
/*
 * driver_kit.h - what the conformance kit's two halves share: the driver under test, what was
 * recorded of its board, and what it tells.
 */
#ifndef CRANKTRAP_DRIVER_KIT_H
#define CRANKTRAP_DRIVER_KIT_H

#include "board.h"

#include <stdbool.h>
#include <stddef.h>

#define KIT_TEXT_MAX (1u << 20)

/* One line of the kit's answer; a row of zeros ends a list. */
struct kit_check {
    const char *what;
    bool (*check)(void);
};
extern const struct kit_check kit_poll_checks[]; /* driver_kit_poll.c */

struct kit_told {
    struct board *board;
    struct board_description description;
    bool write;  /* scans are written down: off where only allocations are counted */
    bool any;    /* a scan has come since start() */
    bool broken; /* told something that no driver may tell */
    size_t used;
    char text[KIT_TEXT_MAX]; /* scans and losses, as in NAME.scans */
};

extern const struct board_driver *kit_driver;
extern struct board_settings kit_settings;
extern char kit_bytes_path[512];
extern char kit_expected[KIT_TEXT_MAX];
extern struct kit_told kit_told;

bool kit_begin(bool write); /* open() and start(); false after a line why not */
bool kit_start(void);
void kit_end(void); /* close() */

/* The first line that differs, of what was found and of what was recorded. */
void kit_print_difference(void);

bool kit_every_option_has_help(void);

#endif
