// SPDX-License-Identifier: Apache-2.0
/*
 * mock_tmc.h - a burst board of the USB test and measurement class, played by umockdev as
 * mock_usb.h plays a streaming one. It is that of drivers/boards/tmc-burst-4x16.board.
 *
 * Input i of scan n has the count 4 n + i, as 16 bits; blocks that are spoiled count as well. A
 * block takes its time, and the board's dead time comes on top.
 */
#ifndef CRANKTRAP_MOCK_TMC_H
#define CRANKTRAP_MOCK_TMC_H

#include <stdbool.h>
#include <stddef.h>

#define MOCK_TMC_VENDOR  0x1209
#define MOCK_TMC_PRODUCT 0x0004

struct mock_tmc;

struct mock_tmc *mock_tmc_new(void);
void mock_tmc_free(struct mock_tmc *board); /* unplugged or not */
void mock_tmc_plug(struct mock_tmc *board);
void mock_tmc_unplug(struct mock_tmc *board);

/* What it does wrong, each for the next `count` blocks. */
enum mock_tmc_fault {
    MOCK_TMC_STALL,     /* the answer ends with a stall */
    MOCK_TMC_SHORT,     /* the transfer ends before its header says */
    MOCK_TMC_WRONG_TAG, /* the header is that of another answer */
    MOCK_TMC_TEXT,      /* an answer, but no block */
    MOCK_TMC_HALF,      /* a block that is shorter than it says */
    MOCK_TMC_SILENT,    /* nothing comes */
    MOCK_TMC_REFUSE,    /* the command that asks is stalled */
    MOCK_TMC_FAULTS
};
void mock_tmc_fail(struct mock_tmc *board, enum mock_tmc_fault fault, unsigned count);

/* Answers the next question with these bytes instead of a block of its own. */
void mock_tmc_say(struct mock_tmc *board, const void *bytes, size_t count);

struct mock_tmc_seen {
    int claims; /* now held */
    unsigned clears, halts_cleared, blocks;
    char commands[512]; /* since it was plugged in, but for those that ask */
};
struct mock_tmc_seen mock_tmc_seen(struct mock_tmc *board);

#endif
