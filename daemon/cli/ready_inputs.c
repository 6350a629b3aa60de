// SPDX-License-Identifier: Apache-2.0
/*
 * ready_inputs.c - each input by itself: where it rests, its noise, its neighbour, and the board's
 * clock; in plain words what is bad and what to do.
 *
 * The limits are common practice, no source.
 */
#include "ready.h"

#include "cross_talk.h"
#include "playback.h"
#include "print.h"
#include "samples.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define REST_MS       1000
#define LEAST_BITS    8.0  /* noise-free: a 256th of the span */
#define CROSS_TALK    0.01 /* of the neighbour's step: 50 mV of a 5 V signal */
#define STEP_SHARE    0.1  /* of the span: what is a step of the neighbour */
#define LEAST_CLOCK_S 30.0 /* a clock that has just begun is not right yet */
#define RATE_PPM      2000.0
#define PEAK_TO_PEAK  6.6 /* sigma, covers 99.9 % of normal noise; ADC application notes */

/* ---- at rest ---- */

static double span_counts(const struct samples_lead *lead) {
    if (lead->rail_low <= lead->rail_high)
        return (double)lead->rail_high - (double)lead->rail_low + 1.0;
    return lead->bits ? exp2(lead->bits) : (double)NAN;
}

/* Bits of the span above the noise from peak to peak; no more than the converter has. */
static double noise_free_bits(const struct samples_lead *lead, double rms) {
    double span = span_counts(lead);
    double bits = log2(span / (PEAK_TO_PEAK * rms));
    return isnan(span) ? (double)NAN : fmin(bits, log2(span));
}

static void take_rest(struct ready_lead *to, const struct samples *samples,
                      const struct samples_lead *lead) {
    struct calibration_reading reading;
    samples_reading(samples, lead, &reading);
    bool rails = lead->rail_low <= lead->rail_high;
    to->input = (struct ready_input){
        .seen = true,
        .number = lead->input,
        .mean = scale_value(&lead->scale, reading.mean),
        .noise = reading.rms * samples_per_count(lead, reading.mean),
        .noise_free_bits = noise_free_bits(lead, reading.rms),
        .at_low_end = rails && reading.lowest <= lead->rail_low,
        .at_high_end = rails && reading.highest >= lead->rail_high,
        .cross_talk = (double)NAN,
        .cross_talk_doubt = (double)NAN,
    };
}

static struct ready_lead *lead_named(struct ready *ready, const char *name) {
    for (size_t i = 0; i < ready->lead_count; i++)
        if (strcmp(ready->leads[i].name, name) == 0)
            return &ready->leads[i];
    return NULL;
}

static void read_board(struct ready *ready, const char *board) {
    struct samples samples = {0};
    if (samples_take(ready->line, board, NULL, REST_MS, &samples) < 0)
        return;
    for (size_t i = 0; i < samples.lead_count; i++) {
        struct ready_lead *lead = lead_named(ready, samples.leads[i].name);
        if (lead)
            take_rest(lead, &samples, &samples.leads[i]);
    }
    samples_clear(&samples);
}

void ready_read_inputs(struct ready *ready) {
    for (size_t i = 0; i < ready->lead_count; i++) {
        bool first = true;
        for (size_t k = 0; k < i; k++)
            first = first && strcmp(ready->leads[k].board, ready->leads[i].board) != 0;
        if (first)
            read_board(ready, ready->leads[i].board);
    }
}

void ready_forget_inputs(struct ready *ready) {
    for (size_t i = 0; i < ready->lead_count; i++)
        ready->leads[i].input.seen = false;
}

/* ---- the neighbour, in the record of the test crank ---- */

static size_t channel_on(const struct vehicle *vehicle, size_t stream, size_t input) {
    for (size_t i = 0; i < vehicle->channel_count; i++)
        if (vehicle->channels[i].stream == stream && vehicle->channels[i].input == input)
            return i;
    return CHANNEL_NONE;
}

static void take_cross_talk(struct ready *ready, const struct vehicle *vehicle, size_t stream,
                            size_t inputs, const struct cross_talk *cross_talk) {
    for (size_t input = 0; input < inputs; input++) {
        size_t channel = channel_on(vehicle, stream, input);
        size_t before = channel_on(vehicle, stream, (input + inputs - 1) % inputs);
        struct ready_lead *lead =
            channel == CHANNEL_NONE ? NULL : lead_named(ready, vehicle->channels[channel].name);
        if (!lead)
            continue;
        lead->input.number = input;
        (void)cross_talk_read(cross_talk, input, &lead->input.cross_talk,
                              &lead->input.cross_talk_doubt);
        if (before != CHANNEL_NONE)
            snprintf(lead->input.neighbour, sizeof lead->input.neighbour, "%s",
                     vehicle->channels[before].name);
    }
}

static int look_at_stream(struct ready *ready, struct playback *playback, size_t stream) {
    const struct record *record = playback_record(playback);
    const struct board_description *board = &playback_head(playback)->streams[stream].description;
    double least_step[BOARD_INPUTS_MAX];
    for (size_t i = 0; i < board->inputs; i++)
        least_step[i] = board->rail_low[i] < board->rail_high[i]
                            ? STEP_SHARE * ((double)board->rail_high[i] - board->rail_low[i])
                            : (double)NAN;
    struct cross_talk *cross_talk = NULL;
    int result = cross_talk_new(stream, board->inputs, least_step, &cross_talk);
    if (result == 0)
        result = record->seek(record->context, record->from_s);
    struct record_run run;
    while (result == 0 && (result = record->next(record->context, &run)) == 1) {
        cross_talk_push(cross_talk, &run);
        result = 0;
    }
    if (result == 0)
        take_cross_talk(ready, record->vehicle, stream, board->inputs, cross_talk);
    cross_talk_free(cross_talk);
    return result;
}

static void look_at_neighbours(struct ready *ready) {
    struct playback *playback = NULL;
    char *path = NULL;
    if (asprintf(&path, "%s/snapshots/%04u.crank", ready->line->state, ready->snapshot) < 0)
        return;
    const char *const paths[] = {path};
    if (playback_open(paths, 1, &playback, NULL, 0) == 0)
        for (size_t i = 0; i < playback_head(playback)->stream_count; i++)
            (void)look_at_stream(ready, playback, i); /* what cannot be read stays unknown */
    playback_free(playback);
    free(path);
}

/* ---- what is bad ---- */

static void judge_ends(struct ready_lead *lead) {
    const struct ready_input *input = &lead->input;
    bool zero = strcmp(lead->role, "return") == 0 || strcmp(lead->role, "ground") == 0;
    if (input->at_low_end && zero)
        ready_note(lead, READY_LOOK,
                   "rests at the lower end of its input, where 0 V and all below look alike: a "
                   "biased or differential input shows both (docs/wiring.md)");
    if (input->at_high_end)
        ready_note(lead, READY_LOOK,
                   "rests at the upper end of its input: the divider is too small for what is on "
                   "the lead");
}

static void judge_noise(struct ready_lead *lead) {
    if (lead->input.noise_free_bits < LEAST_BITS)
        ready_note(lead, READY_LOOK,
                   "only %.1f noise-free bits at rest: of the input's span, less than %.0f steps "
                   "can be told apart. Shorter leads, twisted with their ground, away from charger "
                   "and mains; the capacitor of docs/wiring.md at the input",
                   lead->input.noise_free_bits, exp2(lead->input.noise_free_bits));
}

static void judge_neighbour(struct ready_lead *lead) {
    const struct ready_input *input = &lead->input;
    if (!(fabs(input->cross_talk) - input->cross_talk_doubt > CROSS_TALK))
        return;
    ready_note(lead, READY_LOOK,
               "shows %.1f %% of every step of %s, the input converted before it: less series "
               "resistance or a capacitor at this input, a spare input at ground between the two, "
               "or a lower `rate`; else the two leads touch",
               100 * input->cross_talk,
               input->neighbour[0] ? input->neighbour : "an input without a lead");
}

static void judge_clocks(struct ready *ready) {
    size_t i;
    json_t *board;
    json_array_foreach(json_object_get(ready->status_after, "boards"), i, board) {
        double claimed = json_number_value(json_object_get(board, "claimed_hz"));
        double ppm = json_number_value(json_object_get(board, "rate_ppm"));
        char *words = NULL;
        double scans = json_number_value(json_object_get(board, "scans"));
        if (!(claimed > 0) || scans < LEAST_CLOCK_S * claimed || fabs(ppm) <= RATE_PPM ||
            asprintf(&words,
                     "board %s sends %.2f %% %s scans than the %.6g in a second that it claims: "
                     "times are taken from the measured rate, but `rate` does not say what it "
                     "sends, or it drops scans without telling",
                     json_string_value(json_object_get(board, "board")), fabs(ppm) * 1e-4,
                     ppm < 0 ? "fewer" : "more", claimed) < 0)
            continue;
        json_array_append_new(ready->reasons, json_string(words));
        free(words);
    }
}

/* What the test crank's report says of the board itself. */
static void judge_measuring(struct ready *ready) {
    size_t i;
    json_t *note;
    json_array_foreach(json_object_get(ready->report, "measuring"), i, note) {
        const char *channel = json_string_value(json_object_get(note, "channel"));
        const char *text = json_string_value(json_object_get(note, "text"));
        struct ready_lead *lead = channel ? lead_named(ready, channel) : NULL;
        bool serious = json_is_true(json_object_get(note, "serious"));
        if (lead && text)
            ready_note(lead, serious ? READY_LOOK : READY_PASS, "%s", text);
    }
}

void ready_judge_inputs(struct ready *ready) {
    if (ready->report)
        look_at_neighbours(ready);
    judge_measuring(ready);
    for (size_t i = 0; i < ready->lead_count; i++) {
        if (ready->leads[i].input.seen) {
            judge_ends(&ready->leads[i]);
            judge_noise(&ready->leads[i]);
        }
        judge_neighbour(&ready->leads[i]);
    }
    judge_clocks(ready);
}

/* ---- shown ---- */

static void print_input(const struct ready_lead *lead) {
    const struct ready_input *input = &lead->input;
    bool volts = strcmp(lead->unit, "V") == 0;
    char mean[32] = "-", noise[32] = "-", bits[32] = "-", neighbour[32] = "-";
    if (input->seen) {
        snprintf(mean, sizeof mean, "%.*f", volts ? 3 : 1,
                 fabs(input->mean) < 0.0005 ? 0.0 : input->mean);
        snprintf(noise, sizeof noise, volts ? "%.2f mV" : "%.3g",
                 volts ? input->noise * 1e3 : input->noise);
        if (isfinite(input->noise_free_bits))
            snprintf(bits, sizeof bits, "%.1f", input->noise_free_bits);
    }
    if (isfinite(input->cross_talk))
        snprintf(neighbour, sizeof neighbour, "%.2f %%",
                 100 * (fabs(input->cross_talk) + input->cross_talk_doubt));
    printf("%-16.16s %-2.2s %5zu %9s %10s %6s %8s%s%.16s\n", lead->name, lead->unit, input->number,
           mean, noise, bits, neighbour, isfinite(input->cross_talk) ? " " : "",
           isfinite(input->cross_talk) ? input->neighbour : "");
}

void ready_print_inputs(const struct ready *ready) {
    bool any = false;
    for (size_t i = 0; i < ready->lead_count; i++)
        any = any || ready->leads[i].input.seen;
    if (!any)
        return;
    printf("\n%-16s %-2s %5s %9s %10s %6s %8s %s\n", "at rest", "", "input", "mean", "noise rms",
           "bits", "at most", "of neighbour");
    for (size_t i = 0; i < ready->lead_count; i++)
        print_input(&ready->leads[i]);
    puts("(bits: free of noise, of the input's span; at most: of a neighbour's step)");
    size_t i;
    json_t *board;
    json_array_foreach(json_object_get(ready->status_after, "boards"), i, board) {
        double claimed = json_number_value(json_object_get(board, "claimed_hz"));
        if (claimed > 0)
            printf("Clock of board %s: %.6g scans/s, %+.0f ppm from its claim\n",
                   json_string_value(json_object_get(board, "board")),
                   json_number_value(json_object_get(board, "rate_hz")),
                   json_number_value(json_object_get(board, "rate_ppm")));
    }
}

static json_t *number(double value) {
    return isfinite(value) ? json_real(value) : json_null();
}

json_t *ready_input_json(const struct ready_lead *lead) {
    const struct ready_input *input = &lead->input;
    if (!input->seen && !isfinite(input->cross_talk))
        return json_null();
    double unseen = (double)NAN;
    return json_pack("{s:I, s:o, s:o, s:o, s:o, s:o, s:s?}", "input", (json_int_t)input->number,
                     "mean", number(input->seen ? input->mean : unseen), "noise_rms",
                     number(input->seen ? input->noise : unseen), "noise_free_bits",
                     number(input->seen ? input->noise_free_bits : unseen), "cross_talk",
                     number(input->cross_talk), "cross_talk_doubt", number(input->cross_talk_doubt),
                     "neighbour", input->neighbour[0] ? input->neighbour : NULL);
}
