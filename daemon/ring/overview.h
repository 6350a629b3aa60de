// SPDX-License-Identifier: Apache-2.0
/*
 * overview.h - any stretch of a ring drawn at any width, at once: lowest, highest and mean sample
 * of each input in each column, and the losses between them; out of the summaries kept with the
 * segments, or out of the samples where a column is narrower than a summary's row.
 *
 * The catalogue and each segment's INDEX are hints. What they do not know is found by reading the
 * segment; what is wrong in them shows, since every chunk has its sums.
 *
 * An overview is used by one thread at a time; any number of them may be open, in any threads,
 * beside the writer: it takes no lock that the writer waits for, but the memory ring's for as long
 * as copying the blocks takes that are asked for. A request for a picture does
 *
 *     overview_open(folder, &overview);
 *     overview_draw(overview, memory, &window, columns);
 *     losses = overview_losses(overview, &count);
 *     overview_free(overview);
 *
 * with its own overview, some milliseconds in all: opened anew, it knows best what the catalogue
 * knows. Counts become volts by the scale in the HEAD of the stretch.
 */
#ifndef CRANKTRAP_OVERVIEW_H
#define CRANKTRAP_OVERVIEW_H

#include "memory_ring.h"

#include <stddef.h>
#include <stdint.h>

struct overview;

struct overview_state {
    size_t segments;
    size_t indexed;         /* of them: need not be read to be drawn */
    int64_t from_ns, to_ns; /* elapsed time of the newest boot; from_ns > to_ns: nothing */
};

/*
 * What to draw: `columns` of equal length over the elapsed times [from_ns, to_ns) of the newest
 * boot, from inputs [0, inputs) of a stream.
 */
struct overview_window {
    uint16_t stream;
    size_t inputs;
    int64_t from_ns, to_ns;
    size_t columns;
};

/*
 * Of one input in one column, in counts. low > high: there is no sample, and the mean is NaN. The
 * mean is that of all samples of the column; of rows, each within half a count, those at the
 * column's edges count by their share in it.
 */
struct overview_column {
    int32_t low, high;
    double mean;
};

/* Scans that are missing between two that were found, in the time from the one to the other.
 * RECORD_LOSS_UNKNOWN (record.h) where an epoch ended: nobody knows how many. */
struct overview_loss {
    int64_t from_ns, to_ns;
    uint64_t scans;
};

/* Lists the ring as it is now; it may be written to meanwhile. 0 or a negative errno. */
int overview_open(const char *folder, struct overview **overview);
void overview_free(struct overview *overview); /* takes NULL */

/* Of what it listed when it was opened. */
struct overview_state overview_state(const struct overview *overview);

/*
 * Fills drawn[column * inputs + input]. A column holds at least the extremes of its own samples,
 * and at most those of one row's width (which is no wider than a column) beside it. With `memory`
 * (NULL: none) also what is still on its way to the disk, up to the last closed block; only the one
 * block that the writer holds in its hands while the disk stands still is not seen. Segments that
 * are gone or unreadable by now leave their columns empty. 0, -EINVAL for an empty window, -ENOMEM;
 * -EBADMSG where a damaged chunk was passed over, and everything else is drawn.
 */
int overview_draw(struct overview *overview, struct memory_ring *memory,
                  const struct overview_window *window, struct overview_column *drawn);

/*
 * The losses between what the last overview_draw found, in the order of time; valid until the next
 * one. A column may have samples and losses. Nothing is told of before the first and behind the
 * last sample that was found. Why they are missing stands in the LOSS chunks (playback.h).
 */
const struct overview_loss *overview_losses(const struct overview *overview, size_t *count);

#endif
