// SPDX-License-Identifier: Apache-2.0
/*
 * import.h - CSV (RFC 4180) to a container, exact: decimals become integer counts.
 *
 * Header `time_s,<channel>,...`; columns match channel names of the hookup; values in the
 * channel's unit. The file is streamed: 10 GB is only a matter of time. Rules and limits are in
 * docs/import.md; errors name file, row and column.
 */
#ifndef CRANKTRAP_IMPORT_H
#define CRANKTRAP_IMPORT_H

#include "problems.h"

#include <stddef.h>
#include <stdint.h>

struct import_result {
    uint64_t rows;
    size_t channels;
    double rate_hz;
    double worst_jitter; /* largest deviation of a row's time from even spacing, in periods */
    uint64_t missing;    /* rows missing inside (a jump of whole periods): kept as losses */
};

/*
 * Reads `csv`, with the hookup file `hookup_path`, into a new container `out` (written as
 * `out`.part and renamed; an existing `out` is replaced only then). 0, or a negative errno with
 * every problem in `problems` (its lines are rows of the CSV, or lines of the hookup when
 * `*hookup_wrong` is set). `progress` may be NULL: share 0..1.
 */
int import_csv(const char *csv, const char *hookup_path, const char *out,
               void (*progress)(void *context, double share), void *context,
               struct import_result *result, struct problems *problems, int *hookup_wrong);

#endif
