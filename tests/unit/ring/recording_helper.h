// SPDX-License-Identifier: Apache-2.0
/*
 * recording_helper.h - what the ring's tests share: a hookup with two boards, chunks whose samples
 * are a function of their place (so that any reader can check them), folders that go away.
 */
#ifndef CRANKTRAP_TESTS_RECORDING_HELPER_H
#define CRANKTRAP_TESTS_RECORDING_HELPER_H

#include "chunk.h"
#include "cmocka_helper.h"
#include "head.h"
#include "record.h"

#include <stdbool.h>

/* Stream 0 has 2 inputs at 1000 scans/s, stream 1 has 1 input at 200 scans/s. */
#define RECORDING_STREAMS 2
#define RECORDING_MS      INT64_C(1000000)
#define RECORDING_S       INT64_C(1000000000)

size_t recording_inputs(size_t stream);
double recording_rate(size_t stream);

/* The hookup's text, and its boards' descriptions. */
extern const char *const recording_hookup;
void recording_streams(struct head_stream streams[RECORDING_STREAMS]);

/* The head's JSON; free it. */
char *recording_head(void);

/* What input `input` of scan `scan` of an epoch of a stream reads. */
int32_t recording_sample(size_t stream, uint32_t epoch, size_t input, uint64_t scan);

/* Chunks: the caller's, chunk_done() them. */
struct chunk recording_block(uint16_t stream, uint32_t epoch, uint64_t first_scan, uint32_t scans);
struct chunk recording_loss(uint16_t stream, uint32_t epoch, uint64_t first_scan, uint64_t scans,
                            const char *reason);
struct chunk recording_clock(uint16_t stream, uint32_t epoch, uint64_t scan, int64_t elapsed_ns,
                             int64_t wall_ns, double rate_hz, uint8_t boot);
struct chunk recording_mark(const char *json, int64_t elapsed_ns);

/* Fails the test where a sample of the run is not recording_sample() of scan `first_scan` on. */
void recording_check_run(const struct record_run *run, uint32_t epoch, uint64_t first_scan);

/* Which scans of a stream's epoch were met; to prove that none is missing or there twice. */
struct recording_tally {
    uint64_t held, lost; /* scans */
    uint64_t next;       /* the scan that must come next */
};
/* Scans [first, first + scans) follow, as samples or as a loss; fails where they do not. */
void recording_tally(struct recording_tally *tally, uint64_t first, uint64_t scans, bool lost);

/* A new folder under /tmp; and it with all files away. */
char *recording_folder(void);
void recording_folder_remove(char *folder);

/* The bytes of a file (free them); fails the test where it cannot be read. */
uint8_t *recording_file(const char *path, size_t *size);
bool recording_exists(const char *folder, const char *name);
void recording_write_file(const char *folder, const char *name, const void *bytes, size_t size);

/*
 * A disk of so many bytes mounted at a new folder, only for this process; NULL where that is not
 * permitted. Call before any thread is started.
 */
char *recording_small_disk(size_t bytes);
void recording_small_disk_remove(char *folder);

#endif
