// SPDX-License-Identifier: Apache-2.0
/*
 * fakeboard.h - the fake board as a whole: what the options set, and what the loop keeps.
 */
#ifndef CRANKTRAP_FAKEBOARD_H
#define CRANKTRAP_FAKEBOARD_H

#include "faults.h"
#include "format.h"
#include "port.h"
#include "source.h"

enum at_end { AT_END_QUIT, AT_END_HOLD, AT_END_SILENT };

struct fakeboard {
    /* by the options */
    struct source source;
    struct format format; /* up to scans_per_packet */
    struct fault_script script;
    const char *link;
    double pace; /* 1: true; N: so many times faster; 0: as fast as the reader takes it */
    enum at_end at_end;
    uint32_t first_scan;
    uint64_t random; /* not 0 */

    /* by the loop; zeros at first. Seconds are of CLOCK_MONOTONIC */
    struct port port;
    struct wire_decoder decoder;
    bool reader, streaming, begun, ended;
    double begun_s, ended_s, sent_s, described_s, packet_begun_s, stalled_until_s, back_s;
    uint64_t scan; /* scans gone by since the beginning */
    double volts[SOURCE_INPUTS_MAX];
    unsigned drop, corrupt, duplicate; /* packets that it still befalls */
    unsigned overrun;                  /* scans dropped since the last that was sent */
    size_t queued;
    uint8_t queue[65536]; /* what a board with a buffer could hold */
};

/* Runs until the end, `quit` or a signal. 0, or -1 after saying on stderr what is wrong. */
int fakeboard_run(struct fakeboard *board);

#endif
