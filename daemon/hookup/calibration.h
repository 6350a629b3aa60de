// SPDX-License-Identifier: Apache-2.0
/*
 * calibration.h - what a known voltage held on a lead says of its input: gain and offset against
 * the scale that the hookup gives.
 *
 * Pure arithmetic on plain data; any thread. Every limit here is common practice, no source.
 */
#ifndef CRANKTRAP_CALIBRATION_H
#define CRANKTRAP_CALIBRATION_H

#include "vehicle.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define CALIBRATION_POINTS 8
#define CALIBRATION_BOARD  256 /* bytes of what tells a board from all others */
#define CALIBRATION_UNIT   16

struct calibration_point {
    double counts;  /* mean of the input */
    double nominal; /* what the hookup's own scale makes of them, channel's unit */
    double known;   /* what was on the lead, channel's unit */
    double noise;   /* rms around the mean, counts */
    int64_t wall_s; /* date, seconds since 1970 */
};

/* One point cannot tell gain from offset: what is near zero is taken for an offset. */
enum calibration_kind { CALIBRATION_OFFSET, CALIBRATION_GAIN, CALIBRATION_LINE };
const char *calibration_kind_name(enum calibration_kind kind); /* "offset", "gain", "line" */
int calibration_kind_from_name(const char *name, enum calibration_kind *kind); /* or -EINVAL */

/* Of one input of one board: value = gain * nominal value + offset. */
struct calibration {
    char board[CALIBRATION_BOARD]; /* which board: see hookup_board_key() */
    size_t input;
    char unit[CALIBRATION_UNIT];
    size_t points; /* in the order they were taken */
    struct calibration_point point[CALIBRATION_POINTS];
    enum calibration_kind kind;
    double gain, offset;
    double residual; /* farthest point from the line, channel's unit; NAN: two points or fewer */
};

/* What an input did for about a second, in counts. */
struct calibration_reading {
    double mean, rms;       /* rms: around the mean */
    double drift;           /* mean of the second half less that of the first */
    double lowest, highest; /* counts */
};

/* The input as the hookup and its board have it. */
struct calibration_input {
    struct scale nominal; /* uncalibrated */
    int32_t rail_low;     /* lowest and highest count; rail_low > rail_high: unknown */
    int32_t rail_high;
};

/*
 * Takes `reading` as what the input makes of `known` (channel's unit), and finds gain and offset
 * anew. 0, or -EINVAL with `calibration` untouched and a plain sentence in `why` (at most
 * `why_size` bytes): clipped, noisy, moving, far off the nominal scale, too close to a point that
 * is there, too many points.
 */
int calibration_add(struct calibration *calibration, const struct calibration_input *input,
                    const struct calibration_reading *reading, double known, int64_t wall_s,
                    char *why, size_t why_size);

/* Was it made with this scale and unit? Another divider makes another calibration. */
bool calibration_fits(const struct calibration *calibration, const struct scale *nominal,
                      const char *unit);

/* The scale with gain and offset in it. */
struct scale calibration_applied(const struct calibration *calibration,
                                 const struct scale *nominal);

/* Numbers that can be, and at least one point: what a file says is looked at with this. */
bool calibration_is_sane(const struct calibration *calibration);

/*
 * What follows in a sentence: "gain +1.20 %, offset -3.1 mV, 2 points" (at most `size` bytes).
 */
void calibration_words(const struct calibration *calibration, char *text, size_t size);

#endif
