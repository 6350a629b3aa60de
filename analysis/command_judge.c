// SPDX-License-Identifier: Apache-2.0
/*
 * command_judge.c - commands against the crank signal that they are made from.
 */
#include "command_judge.h"

#include "result.h"
#include "texts.h"
#include "words.h"

#include <math.h>

#define LEAST_CRANKING_S 1.5 /* and no fewer than so many turns: a control unit may need two to */
#define LEAST_TURNS      3.5 /*   find its place, and commands once in two */
#define UNKNOWN_SPEED_S  2.5
#define ONE_COMMAND      2 /* edges */
#define STOPPED_EDGES    6
#define SILENT_LEAST_S   0.7 /* a four-stroke cycle at 170 rpm */
#define CRANK_EDGES      8
#define SLACK            2.5 /* times the longest interval between commands */

/* A crank signal with edges in [from_s, to_s), or CHANNEL_NONE. */
static size_t good_crank(const struct evidence *evidence, double from_s, double to_s) {
    const struct vehicle *vehicle = evidence->window->vehicle;
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        const struct vehicle_sensor *sensor = &vehicle->sensors[i];
        if (sensor->signal == CHANNEL_NONE || sensor->shaft != SHAFT_CRANK)
            continue;
        const struct pulses *pulses = evidence->pulses[sensor->signal];
        if (pulses_after(pulses, to_s) - pulses_after(pulses, from_s) >= CRANK_EDGES)
            return sensor->signal;
    }
    return CHANNEL_NONE;
}

static void add_silent(const struct evidence *evidence, size_t channel, size_t crank,
                       const double onset_s[2], bool never, struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    const char *name = words_channel(survey, channel);
    struct candidate *candidate =
        candidates_add(candidates, FAULT_NO_COMMAND, channel, CHANNEL_NONE);
    if (candidate == NULL)
        return;
    int *error = &candidates->error;
    candidate->standing = never;
    candidate->from_s = onset_s[0];
    candidate->from_until_s = onset_s[1];
    candidate->to_s = evidence->window->released_s;
    candidate->certainty = CERTAINTY_SHOWN;
    candidate->observed = result_sentence(error, never ? TEXT_NO_COMMAND : TEXT_COMMAND_STOPPED,
                                          name, words_channel(survey, crank));
    candidate->text = result_sentence(error, TEXT_NO_COMMAND_SHORT, name);
    result_say(error, &candidate->alternatives, TEXT_COMMAND_UNIT);
    result_say(error, &candidate->alternatives, TEXT_COMMAND_SUPPLY);
    result_say(error, &candidate->alternatives, TEXT_PROBE);
    result_say(error, &candidate->next, TEXT_COMMAND_NEXT);
}

/* Cranking for less says nothing of a command that never came. */
static double least_cranking_s(const struct evidence *evidence) {
    if (!evidence->has_speed)
        return UNKNOWN_SPEED_S;
    return fmax(LEAST_CRANKING_S, LEAST_TURNS * 60.0 / evidence->rpm);
}

static void judge_command(const struct evidence *evidence, size_t channel,
                          struct candidates *candidates) {
    const struct window *window = evidence->window;
    const struct pulses *pulses = evidence->pulses[channel];
    double from_s = window->engaged_s;
    double to_s = window->released_s;
    double least_s = least_cranking_s(evidence);
    if (!(to_s - from_s >= least_s))
        return;
    size_t count;
    const struct pulse *list = pulses_list(pulses, &count);
    size_t first = pulses_after(pulses, from_s);
    size_t end = pulses_after(pulses, to_s);
    bool never = end - first < ONE_COMMAND;
    if (!never && end - first < STOPPED_EDGES)
        return; /* too few to tell when the next was due */
    double onset_s[2] = {from_s, from_s};
    if (!never) {
        double longest = 0.0;
        for (size_t i = first + 1; i < end; i++)
            longest = fmax(longest, list[i].at_s - list[i - 1].at_s);
        onset_s[0] = list[end - 1].at_s;
        onset_s[1] = onset_s[0] + fmax(SLACK * longest, SILENT_LEAST_S);
    }
    size_t crank = good_crank(evidence, onset_s[1], to_s);
    if (crank != CHANNEL_NONE && to_s - onset_s[1] >= (never ? least_s : onset_s[1] - onset_s[0]))
        add_silent(evidence, channel, crank, onset_s, never, candidates);
}

void command_judge(const struct evidence *evidence, struct candidates *candidates) {
    const struct vehicle *vehicle = evidence->window->vehicle;
    if (evidence->outcome == OUTCOME_STARTED)
        return; /* it was fed and fired */
    for (size_t i = 0; i < vehicle->channel_count; i++) {
        if (vehicle->channels[i].role == ROLE_COMMAND)
            judge_command(evidence, i, candidates);
    }
}
