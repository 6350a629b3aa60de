// SPDX-License-Identifier: Apache-2.0
/*
 * bench_bulk.h - a fast board as the driver usb-bulk has them: packets of one size with a counter
 * of scans, eight inputs of 16 bits. Sent at its pace by a child process, which waits for nobody.
 */
#ifndef CRANKTRAP_BENCH_BULK_H
#define CRANKTRAP_BENCH_BULK_H

#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>

enum {
    BULK_INPUTS = 8,
    BULK_PACKET = 8192,
    BULK_SCANS = 511, /* of a packet */
    BULK_READ = 2 * BULK_PACKET,
};

/* Writes the board file into the folder; the board's lines of the hookup into `lines`. 0 or -1. */
int bulk_board_file(const char *folder, double rate_hz, char *lines, size_t size);

/* `packets` packets of the van's leads at rest with noise, their counters from 0 on. */
void bulk_fill(uint8_t *bytes, size_t packets);

/* The count of such a lead, with noise, at a scan; `state` of the noise goes on. */
long bulk_level(size_t input, double scan, uint32_t *state);

/* The counts of one of their scans. */
void bulk_counts(const uint8_t *bytes, size_t scan, int32_t counts[BULK_INPUTS]);

/* Sets the counter of a packet. */
void bulk_count(uint8_t *packet, uint32_t scan);

/* The calling thread goes before all others of its core, where that is permitted. */
void bulk_never_wait(void);

/*
 * Starts the child, on another core than `core`: `reads` reads of BULK_READ bytes at `rate_hz`
 * scans a second. What is not taken in time is dropped, and its counters are passed over. Returns
 * a descriptor to recv() from, or -1.
 */
int bulk_start(double rate_hz, uint64_t reads, int core, pid_t *child);

#endif
