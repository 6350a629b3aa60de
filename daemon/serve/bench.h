// SPDX-License-Identifier: Apache-2.0
/*
 * bench.h - what a person with a known voltage asks: raw samples of a board, and calibrations.
 * docs/calibration.md, docs/api.md.
 *
 * One caller at a time: the state folder's file is read, changed and written.
 */
#ifndef CRANKTRAP_BENCH_H
#define CRANKTRAP_BENCH_H

#include "serve.h"

#include <jansson.h>

/* Index of the channel called `name` (may be NULL), or CHANNEL_NONE. */
size_t bench_channel(const struct serve_parts *parts, const char *name);

/*
 * "cranktrap.samples/1": the counts of a capture, of all channels of its board or of one. A new
 * reference, or NULL without memory.
 */
json_t *bench_samples(const struct serve_parts *parts, const struct watch_capture *capture,
                      size_t channel);

/*
 * Takes or forgets a calibration as `body` asks, durably, and has it used. 0 and `*answer`
 * ("cranktrap.calibration/1"); -ENOENT no such channel; -EINVAL the body; -EPERM it cannot be, and
 * `why` (`size` bytes) says so; or the errno of the state folder.
 */
int bench_calibrate(const struct serve_parts *parts, const json_t *body, json_t **answer, char *why,
                    size_t size);

/* How each channel stands: for the status. A new reference, or NULL. */
json_t *bench_calibrations(const struct serve_parts *parts);

#endif
