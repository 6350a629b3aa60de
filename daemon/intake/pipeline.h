// SPDX-License-Identifier: Apache-2.0
/*
 * pipeline.h - the way of a board's scans, from the driver's sinks to blocks and the tap. Internal
 * to daemon/intake; all of it on the board's pipeline thread.
 */
#ifndef CRANKTRAP_PIPELINE_H
#define CRANKTRAP_PIPELINE_H

#include "block_builder.h"
#include "board.h"
#include "clock.h"
#include "intake_board.h"

#include <stdbool.h>
#include <stdint.h>

struct pipeline {
    struct intake_board *owner;
    const struct board_driver *driver;
    struct board *board; /* the driver's */
    char refusal[224];   /* why it could not be made; "" */

    struct board_description description;
    bool described; /* the hookup is fitted to it: scans can be taken */
    bool refused;   /* it contradicts the hookup, until the next start */

    struct intake_clock *clock; /* NULL until described */
    struct block_builder *builder;
    uint32_t next_epoch;
    bool epoch_open;         /* scan 0 of the present epoch has come */
    bool after_loss;         /* scans are missing right before the next run */
    bool overflowed;         /* bytes were dropped: how many scans were in them? */
    uint64_t dropped_before; /* bytes dropped up to the hole before this one */
    size_t told;             /* scans of the open block that the tap has had */
    int64_t arrival_ns;      /* of the bytes that are being consumed */
    int64_t opened_ns;       /* when the open block got its first scans */
    bool driven;             /* the board supplies the time */
    int64_t drive_start;     /* elapsed time when it began to */

    bool streaming;  /* said so */
    bool made_sense; /* in the present call of the driver */
    bool had_scans;
    struct intake_status counters; /* the pipeline's part of it */
};

/* 0 or -ENOMEM. A driver that cannot work with its settings leaves `refusal`. */
int pipeline_new(struct intake_board *owner, struct pipeline **pipeline);
void pipeline_free(struct pipeline *pipeline); /* takes NULL */

/* Asks the driver what the board is and fits the hookup to it. 0; -EAGAIN not known yet; -EINVAL
 * or -ENOMEM: refused, said so. */
int pipeline_describe(struct pipeline *pipeline);

/* Tells the tap what has come since the last time. */
void pipeline_tell(struct pipeline *pipeline);

/* Closes the open block. */
void pipeline_close_block(struct pipeline *pipeline);

/* The flow has broken off: an unknown loss, where there was a flow. The next scan begins a new
 * epoch. */
void pipeline_break_off(struct pipeline *pipeline, const char *reason);

/* After every call of the driver or wait for one: closes old blocks, does what was asked by
 * intake_flush(), shows the counters. */
void pipeline_tick(struct pipeline *pipeline);

/* The thread ends: nobody waits for it any longer. */
void pipeline_finish(struct pipeline *pipeline);

#endif
