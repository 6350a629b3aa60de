// SPDX-License-Identifier: Apache-2.0
/*
 * survey.h - what every channel did in each phase of one window, and around each departure.
 *
 * The window is that of one attempt: its memory does not grow with the window's length.
 */
#ifndef CRANKTRAP_SURVEY_H
#define CRANKTRAP_SURVEY_H

#include "departures.h"
#include "levels.h"
#include "pulses.h"
#include "window.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define SURVEY_PHASES      5  /* of enum phase */
#define SURVEY_DEPARTURES  32 /* looked at closely in one window; the rest only counted, */
#define SURVEY_PER_CHANNEL 8  /*   so that no lead that flutters hides the others */
#define WIDTH_BINS         120

/* How long the states of a signal lasted, by quarter octaves. */
struct state_widths {
    unsigned states[WIDTH_BINS];
    double sum_s[WIDTH_BINS];
};

/* One channel in one phase. The first moments of a cranking (the surge) are kept apart. */
struct reading {
    struct levels *levels; /* NULL: no sample */
    struct levels *surge;
    struct levels
        *judged;     /* against its return, in difference counts; NULL: no return to judge by */
    double time_s;   /* length of the samples */
    double period_s; /* between samples, the longest */
    unsigned edges;
    struct state_widths widths[2]; /* of low and of high states */
};

/*
 * What one channel did around a departure. "Out" is each spell of it, but for the moments in which
 * a supply's capacitors empty.
 */
struct departure_view {
    double before_sum;
    unsigned long before_count;
    double lowest, highest; /* while out */
    double out_sum;
    unsigned long out_count;
    double lowest_at_onset; /* from the last sample inside to 50 ms later */
    double last_edge_s;     /* of a signal: the newest not later than the feed's fall; NAN */
    double interval_s;      /*   how far apart its edges came until then; NAN */
    unsigned edges_out;     /*   edges while out */
    unsigned edges_dead;    /*   of these, while the feed read so little that no sensor works */
};

/*
 * How one lead moved with another: sums over the samples of both. Of a feed around the cranking, x
 * being the battery's volts; of any lead while cranking, x being the counts of the input before it.
 */
struct follow {
    double count, x, y, xx, xy, yy;
};

struct survey {
    const struct window *window;
    const struct vehicle *vehicle; /* the window's */
    const struct limits *limits;   /* the window's */
    size_t departure_count, more_departures;
    const struct departure *departures[SURVEY_DEPARTURES];
    /* Of each spell of a feed: from the first to the last sample that reads next to nothing. */
    struct departure_spell dead[SURVEY_DEPARTURES][DEPARTURE_SPELLS];
    struct departure_view *views;  /* departure * channels + channel */
    struct reading *readings;      /* channel * SURVEY_PHASES + phase */
    struct follow *follows;        /* one per channel: with the battery, */
    struct follow *copies;         /*   and with its neighbour */
    struct survey_signal *signals; /* one per channel */
    int32_t *scratch;
    size_t scratch_room;
    int error;
};

/*
 * `window` and `departures` are kept by pointer; of these, those of the whole record, the ones that
 * begin in the window are used. 0 or -ENOMEM.
 */
int survey_new(const struct window *window, const struct departure *departures,
               size_t departure_count, struct survey **survey);

/* Frees; takes NULL. */
void survey_free(struct survey *survey);

/* Takes the next run (parts outside the window are ignored); 0 or -ENOMEM. */
int survey_push(struct survey *survey, const struct record_run *run);

/* No more runs come: takes the edges in. `pulses` has one per channel, NULL where it has none. */
void survey_finish(struct survey *survey, struct pulses *const *pulses);

/* After survey_finish(): what that lead read in that phase; the survey's. */
const struct reading *survey_reading(const struct survey *survey, size_t channel, enum phase phase);

/* What a channel did around a departure (its place in the list given); the survey's. */
const struct departure_view *survey_view(const struct survey *survey, size_t departure,
                                         size_t channel);

/*
 * The value that `share` of a channel's samples lie below in that phase, without the first moments
 * of a cranking, in its unit; of a feed or a signal less its return where that is watched beside it
 * and `difference` is wanted. NAN without samples.
 */
double survey_level(const struct survey *survey, size_t channel, enum phase phase, double share,
                    bool difference);

/*
 * What the high level of a Hall output should reach in that phase, volts: the median of what it is
 * pulled up to, less what the board's input takes of it (vehicle_pull_up_share()). NAN: not given,
 * or not known in that phase.
 */
double survey_pull_up(const struct survey *survey, const struct vehicle_sensor *sensor,
                      enum phase phase);

/*
 * How much feed `channel` moves for a volt of the battery from a second before the starter engages
 * to its release, and how well that tells it (r squared); false: the battery is not watched beside
 * it, or hardly moved.
 */
bool survey_follows(const struct survey *survey, size_t channel, double *slope, double *r_squared);

/*
 * Does a lead show what the input converted just before it reads, as an open input does? How large
 * a share of it (through zero, in counts) and how well that tells it, while the starter turned.
 * False: it has no neighbour that is on a lead of another kind, or neither moved.
 */
bool survey_copies(const struct survey *survey, size_t channel, size_t *neighbour, double *share,
                   double *r_squared);

/*
 * Width of the shorter of the two states of a signal, low or high, seconds: the average of those
 * within an octave of the median, so that neither glitches nor a stop tell, nor an engine that
 * catches. NAN: fewer than two edges.
 */
double survey_shortest_state(const struct reading *reading);

/* The signal had edges while cranking. */
bool survey_turned(const struct survey *survey);

#endif
