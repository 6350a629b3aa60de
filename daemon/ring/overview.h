// SPDX-License-Identifier: Apache-2.0
/*
 * overview.h - any stretch of a ring drawn at any width, at once: the lowest and the highest
 * sample of each input in each column, out of the summaries kept with the segments, or out of the
 * samples where a column is narrower than a summary's row.
 *
 * The catalogue and each segment's INDEX are hints. What they do not know is found by reading the
 * segment; what is wrong in them shows, since every chunk has its sums. One thread at a time.
 */
#ifndef CRANKTRAP_OVERVIEW_H
#define CRANKTRAP_OVERVIEW_H

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

/* Of one input in one column; low > high: there is no sample. */
struct overview_extremes {
    int32_t low, high;
};

/* Lists the ring as it is now; it may be written to meanwhile. 0 or a negative errno. */
int overview_open(const char *folder, struct overview **overview);
void overview_free(struct overview *overview); /* takes NULL */

struct overview_state overview_state(const struct overview *overview);

/*
 * extremes[column * inputs + input]. A column holds at least the extremes of its own samples, and
 * at most those of one row's width (which is no wider than a column) beside it. Segments that are
 * gone or unreadable by now leave their columns empty. Losses are not shown: a column may have
 * samples and losses. 0, -EINVAL for an empty window, -ENOMEM; -EBADMSG where a damaged chunk was
 * passed over, and everything else is drawn.
 */
int overview_draw(struct overview *overview, const struct overview_window *window,
                  struct overview_extremes *extremes);

#endif
