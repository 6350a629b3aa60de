// SPDX-License-Identifier: Apache-2.0
/*
 * drawing.h - a stretch of a record at a width: lowest, highest and mean value of each channel in
 * each column, or the samples themselves where they are fewer than the columns. One thread.
 */
#ifndef CRANKTRAP_DRAWING_H
#define CRANKTRAP_DRAWING_H

#include "record.h"

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#define DRAWING_COLUMNS_MAX  4000
#define DRAWING_CHANNELS_MAX 256

/* What is to be drawn. Seconds on the axis of what it is drawn from; from_s < to_s. */
struct drawing_wish {
    double from_s, to_s;
    size_t columns;       /* at least 1; of a request at most DRAWING_COLUMNS_MAX */
    const char *channels; /* names with commas between; NULL: all */
};

struct drawing;

/* Of the channels of `vehicle`, which must outlive it. 0 or -ENOMEM. */
int drawing_new(const struct vehicle *vehicle, const struct drawing_wish *wish,
                struct drawing **drawing);
void drawing_free(struct drawing *drawing); /* takes NULL */

/* Is this channel among those asked for? */
bool drawing_wants(const struct drawing *drawing, size_t channel);

/* One sample, in counts, of a channel at `at_s`. */
void drawing_sample(struct drawing *drawing, size_t channel, double at_s, int32_t counts);

/* Samples of a column that were summed up already, in counts. NAN: there is no mean. */
void drawing_extremes(struct drawing *drawing, size_t channel, size_t column, int32_t low,
                      int32_t high, double mean);

/* Draws the stretch out of a record. 0 or a negative errno of it. */
int drawing_record(struct drawing *drawing, const struct record *record);

/*
 * A drawing can be made out of one of the same vehicle that is finer (its columns are at most half
 * as wide): each of its columns goes where its middle lies, so samples may be drawn up to a quarter
 * of a column beside their place. The finer one may be of any stretch and have any number of
 * columns.
 */
bool drawing_is_finer(const struct drawing *fine, const struct drawing_wish *wish);
void drawing_of_finer(struct drawing *drawing, const struct drawing *fine);

/* "cranktrap.draw/1": a new reference, or NULL without memory. `losses` (may be NULL) is taken. */
json_t *drawing_json(const struct drawing *drawing, json_t *losses);

/* The losses of a record that touch the stretch. */
json_t *drawing_losses(const struct drawing *drawing, const struct record *record);

#endif
