// SPDX-License-Identifier: Apache-2.0
/*
 * ring_reader.h - a stretch of wall time of a ring's folder as a record, in place, beside the
 * daemon that writes it. Only reads: takes no lock and pins nothing. A segment that is pruned while
 * it is open stays readable; one that is pruned before is not in the record.
 */
#ifndef CRANKTRAP_RING_READER_H
#define CRANKTRAP_RING_READER_H

#include "playback.h"

#include <stddef.h>
#include <stdint.h>

struct ring_reader;

/*
 * Looks through the folder: which segment holds which wall times, by the last clock of each boot.
 * 0 or a negative errno with a sentence in `why` (-ENOENT: no such folder; -ENODATA: nothing was
 * recorded yet, or no clock told the time). `*reader` is untouched on failure. One thread at a
 * time.
 */
int ring_reader_open(const char *folder, struct ring_reader **reader, char *why, size_t why_size);

/* Frees; takes NULL. */
void ring_reader_free(struct ring_reader *reader);

/* Wall time where the record ended when it was looked through, ns since 1970. */
int64_t ring_reader_end_ns(const struct ring_reader *reader);

/*
 * The record of [from_ns, to_ns], wall times; opens those segments only that may hold something of
 * it, each with a file of its own: the process must be allowed as many. Errors as playback_open;
 * -ENODATA too where the stretch holds no scan.
 */
int ring_reader_play(const struct ring_reader *reader, int64_t from_ns, int64_t to_ns,
                     struct playback **playback, char *why, size_t why_size);

#endif
