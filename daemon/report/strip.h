// SPDX-License-Identifier: Apache-2.0
/*
 * strip.h - a channel's lowest and highest value in each of a number of equal columns of time:
 * what a small picture is drawn from.
 */
#ifndef CRANKTRAP_STRIP_H
#define CRANKTRAP_STRIP_H

#include "record.h"

#include <stddef.h>

#define STRIP_COLUMNS 600 /* of the finest picture, on paper */

struct strip {
    double low[STRIP_COLUMNS]; /* NAN: no sample in this column */
    double high[STRIP_COLUMNS];
    double lowest, highest; /* of all columns; NAN: no sample at all */
};

/*
 * Fills one strip per channel of the record's vehicle from [from_s, to_s]. 0, or what the record's
 * callbacks returned.
 */
int strip_fill(const struct record *record, double from_s, double to_s, size_t columns,
               struct strip *strips);

/*
 * Draws a strip as `rows` lines of `cells` characters into `lines[row]` (each at least
 * 4 * cells + 1 bytes): the band between lowest and highest, `bottom` to `top` over the height.
 * `ascii`: no characters beyond ASCII. cells <= STRIP_COLUMNS / 2; columns = 2 * cells.
 */
void strip_draw(const struct strip *strip, double bottom, double top, size_t cells, size_t rows,
                bool ascii, char *const *lines);

#endif
