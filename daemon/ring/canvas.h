// SPDX-License-Identifier: Apache-2.0
/*
 * canvas.h - the columns of an overview while they are drawn, and which scans were seen. Used by
 * overview.c only.
 *
 * What comes from one segment is drafted, and becomes part of the picture when it is kept: hints
 * that turn out wrong leave nothing.
 */
#ifndef CRANKTRAP_CANVAS_H
#define CRANKTRAP_CANVAS_H

#include "overview.h"
#include "summary.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct canvas;

/* Consecutive scans of an epoch, and the elapsed times of the first and of the end. */
struct stretch {
    uint32_t epoch;
    uint64_t first, end;
    int64_t from_ns, to_ns;
};

/* 0 or -ENOMEM. */
int canvas_new(const struct overview_window *window, struct canvas **canvas);
void canvas_free(struct canvas *canvas); /* takes NULL */

/* How long a column is. */
double canvas_column_ns(const struct canvas *canvas);

/* Rows on the grid of `span` that cover the stretch: those that end behind the scan `from`. */
void canvas_rows(struct canvas *canvas, const struct stretch *stretch, uint32_t span,
                 const struct summary_rows *rows, uint64_t from);

/* One input's samples of the stretch, each into its column, from the scan `from` on. */
void canvas_samples(struct canvas *canvas, const struct stretch *stretch, size_t input,
                    const int32_t *samples, uint64_t from);

/* All that was drafted of these scans stands in the columns by now. Without memory for it the
 * picture has no losses. */
void canvas_seen(struct canvas *canvas, const struct stretch *stretch);

/* The scan behind the last one of the epoch that was seen; 0: none was. */
uint64_t canvas_reached(const struct canvas *canvas, uint32_t epoch);

/* Takes what was drafted into the picture; or forgets it. */
void canvas_keep(struct canvas *canvas);
void canvas_forget(struct canvas *canvas);

/* What was kept: the columns; and what is missing between the stretches, allocated. */
void canvas_columns(const struct canvas *canvas, struct overview_column *drawn);
int canvas_losses(struct canvas *canvas, struct overview_loss **losses, size_t *count);

#endif
