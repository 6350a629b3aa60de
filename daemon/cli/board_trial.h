// SPDX-License-Identifier: Apache-2.0
/*
 * board_trial.h - runs one board for some seconds, without a daemon, and measures what arrives.
 *
 * Driver and transport are those of the daemon; here one thread does all, so that the very bytes
 * that were read can be kept.
 */
#ifndef CRANKTRAP_BOARD_TRIAL_H
#define CRANKTRAP_BOARD_TRIAL_H

#include "board.h"
#include "board_record.h"
#include "hookup.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define TRIAL_FIRST_BYTES 4096

struct trial_input {
    double lowest, highest, mean, noise; /* counts; noise: standard deviation */
    bool railed_low, railed_high;        /* it reached the lowest or highest count there is */
};

struct trial {
    double seconds; /* listened */
    uint64_t bytes, scans;
    uint64_t scans_lost, losses_unknown; /* counted ones; those of unknown size */
    uint64_t results[BOARD_RESULTS], losses[BOARD_LOSSES];
    uint64_t transfers_lost; /* USB: bytes that did not arrive */
    uint64_t longest_ns;     /* between two scans' arrivals */
    double rate_hz,
        claimed_hz;        /* measured, 0: too few scans; as the board or its file says, or 0 */
    double ppm, error_ppm; /* against the claim; how wrong that may be, one standard deviation */
    bool described;
    struct board_description description;
    struct trial_input input[BOARD_INPUTS_MAX];
    size_t first_count;
    uint8_t first[TRIAL_FIRST_BYTES]; /* as they came */
    char why[512];                    /* why it ended before its time, or "" */
};

/*
 * Opens the board, runs it for `seconds` (a SIGINT ends it earlier), stops and closes it. Bytes go
 * to `record` too, unless that is NULL. 0; -ENOTSUP a record was asked of a board that has no
 * bytes; or the negative errno of driver or port, with its plain sentence in `trial->why`.
 */
int board_trial_run(const struct hookup_board *board, double seconds, struct board_record *record,
                    struct trial *trial);

#endif
