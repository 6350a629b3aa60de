// SPDX-License-Identifier: Apache-2.0
/*
 * ripple.h - do compressions show in the battery's voltage or the starter's current? Incremental.
 *
 * An engine that is turned loads the starter once per compression; battery and current ripple at
 *   f = rpm x cylinders / 120   (four-stroke: cylinders / 2 compressions a turn; geometry)
 * The samples are averaged into slices of 2 ms (of one sample, where a board is slower). A query
 * looks at stretches of at most 2 s, half a second apart, each without its trend, so that a
 * recovering battery is no ripple. In each it takes the lines of the spectrum between 40 and
 * 420 rpm (1 and 28 Hz where `cylinders` was not given), no slower than three periods in the
 * stretch, and asks how likely noise makes such a line somewhere: noise as fitted above the line in
 * the same stretch, or as the quiet stretch before the cranking shows it, whichever is more
 * (spectrum.h). Of several lines that are none of noise the strongest is taken, or its highest
 * multiple (2 to 4) that is half as strong or more: compressions of unlike cylinders make lines at
 * parts of f, which is told as `uneven`; the harmonics of like ones are weaker than that.
 *
 * Not compressions: what was there before; what is switched (its shape, folded at its period, is
 * told better by two levels than by three harmonics; or it jumps by half its swing within 4 ms, as
 * a solenoid that chatters on a weak battery does); what stays below two counts of the board.
 * A motor whose current swells smoothly, begun together with the starter, cannot be told apart, nor
 * can an alias of an alternator's ripple where a board samples slower than that ripple: ask about
 * stretches of cranking only.
 *
 * That no ripple is found proves nothing.
 */
#ifndef CRANKTRAP_RIPPLE_H
#define CRANKTRAP_RIPPLE_H

#include "window.h"

#include <stdbool.h>
#include <stddef.h>

#define RIPPLE_PIECES 64

enum ripple_answer {
    RIPPLE_SEEN,        /* the engine turns; all others: it cannot be told, because ... */
    RIPPLE_NOT_SAMPLED, /* samples are missing, or come too slowly */
    RIPPLE_TOO_SHORT,   /* three compressions do not fit */
    RIPPLE_IN_NOISE,    /* nothing stands out */
    RIPPLE_BEFORE,      /* it was there before the starter */
    RIPPLE_SWITCHED,    /* a load that is switched on and off */
};

/* One stretch of up to two seconds in which ripple stood out; they overlap. */
struct ripple_piece {
    double from_s, to_s;
    double hertz;
};

struct ripple_estimate {
    enum ripple_answer answer;
    /* All below only for RIPPLE_SEEN, else NAN and 0. */
    double from_s, to_s;                 /* first to last piece */
    double hertz, hertz_low, hertz_high; /* median, slowest, fastest piece */
    double rpm, rpm_low, rpm_high;       /* NAN where `cylinders` was not given */
    double strength;                     /* peak to peak, median; channel's unit */
    double compressions;                 /* seen, about */
    double chance;                       /* of noise to make the clearest of the pieces */
    double uneven; /* strongest line at a part of f, of that at f; 0: none stands
                      out; NAN: the pieces were too short to tell */
    size_t piece_count;
    struct ripple_piece pieces[RIPPLE_PIECES]; /* in order of time */
};

/* From one peak to the next. */
struct ripple_beat {
    double from_s, to_s;
};

struct ripple;

/*
 * For one channel (battery or starter current) of the window, from `from_s` to `to_s` on the
 * record's axis. At most five minutes are kept: what is later is not looked at. Keeps the pointer
 * to the window. 0 or -ENOMEM.
 */
int ripple_new(const struct window *window, size_t channel, double from_s, double to_s,
               struct ripple **ripple);

/* Frees; takes NULL. */
void ripple_free(struct ripple *ripple);

/* Takes the next run of any stream; 0 or -ENOMEM. */
int ripple_push(struct ripple *ripple, const struct record_run *run);

/* Names the stretch before cranking that noise is compared with; half a second or more is used. */
void ripple_quiet(struct ripple *ripple, double from_s, double to_s);

/* The channel it was made for. */
size_t ripple_channel(const struct ripple *ripple);

/*
 * What [from_s, to_s) shows; after the last push. Best from a fifth of a second behind the
 * starter's engagement to its release. True where ripple is seen; `*estimate` is always filled.
 */
bool ripple_estimate(const struct ripple *ripple, double from_s, double to_s,
                     struct ripple_estimate *estimate);

/*
 * The single compressions of [from_s, to_s), for the run-up from rest: times from peak to peak of
 * the smoothed slices, in order, at most `room`; how many is returned. `estimate` is one in
 * which ripple is seen, nearby. A peak that a weak cylinder leaves out makes a beat of double
 * length. -ENOMEM.
 */
int ripple_beats(const struct ripple *ripple, const struct ripple_estimate *estimate, double from_s,
                 double to_s, struct ripple_beat *beats, size_t room);

/*
 * Lowest, average and highest slice of [from_s, to_s); false where less than half of it was
 * sampled, with the outputs untouched.
 */
bool ripple_level(const struct ripple *ripple, double from_s, double to_s, double *lowest,
                  double *average, double *highest);

/* Crank speed of a ripple, rpm; NAN where `cylinders` is 0. */
double ripple_rpm(double hertz, unsigned cylinders);

#endif
