// SPDX-License-Identifier: Apache-2.0
/*
 * sim.c - the simulated board: a parcel van through a night of attempts to start (docs/sim.md).
 *
 * Here: its options, and the driver's shape. The vehicle is in sim_vehicle.c, the scans in
 * sim_night.c, the passing of time in sim_pace.c.
 */
#include "board.h"
#include "sim_fault.h"
#include "sim_night.h"
#include "sim_pace.h"
#include "sim_schedule.h"
#include "sim_vehicle.h"
#include "sim_wheel.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define STANDARD_HOURS 6.0
#define ENDLESS_SPAN_S 3600.0
#define FETCH_MOST_S   0.1 /* simulated: the daemon's periods are no more accurate than this */

const struct board_driver board_driver_sim;

static const struct board_option options[] = {
    {"rate", BOARD_OPTION_NUMBER, "2000", false, 10.0, 200000.0, NULL, "scans a second"},
    {"inputs", BOARD_OPTION_WHOLE, "6", false, 1.0, SIM_INPUTS, NULL,
     "how many inputs: battery, crank feed, return, signal, cam signal, starter current, ignition, "
     "supply"},
    {"bits", BOARD_OPTION_WHOLE, "12", false, 8.0, 16.0, NULL, "of the converter"},
    {"skew", BOARD_OPTION_NUMBER, "0", false, 0.0, 0.01, NULL,
     "seconds from one input of a scan to the next"},
    {"seed", BOARD_OPTION_WHOLE, "1", false, 0.0, 9007199254740992.0, NULL,
     "the same seed gives the same night"},
    {"pace", BOARD_OPTION_TEXT, "real", false, 0.0, 0.0, NULL,
     "real, free, or how many times faster than real time"},
    {"hours", BOARD_OPTION_NUMBER, NULL, false, 0.0, 1000.0, NULL,
     "length of the night; 0: endless (6 unless in real time, then endless)"},
    {"begins", BOARD_OPTION_TEXT, NULL, false, 0.0, 0.0, NULL,
     "local date and time of the beginning, as 2026-03-17T22:30:00; not in real time"},
    {"attempts", BOARD_OPTION_WHOLE, "11", false, 0.0, 100000.0, NULL,
     "attempts to start in the night; in every hour where endless"},
    {"fault", BOARD_OPTION_WORD, "none", false, 0.0, 0.0, SIM_FAULT_WORDS,
     "what fails in one of the attempts"},
    {"fault-attempt", BOARD_OPTION_WHOLE, NULL, false, 1.0, 100000.0, NULL,
     "which attempt fails, from 1 (the last but two, unless said)"},
    {"wheel", BOARD_OPTION_TEXT, "36-1", false, 0.0, 0.0, NULL,
     "of the crank: places and missing teeth, as 36-1, 60-2, 36-2-2"},
    {"cylinders", BOARD_OPTION_WHOLE, "4", false, 1.0, 12.0, NULL, "of the engine"},
    {0},
};

struct board {
    struct board_sinks sinks;
    struct sim_night *night;
    struct sim_pace pace;
    double rate_hz;
    double skew_s;
    size_t inputs;
    unsigned bits;
    uint64_t scans;      /* in all; 0: endless */
    uint64_t fetch_most; /* scans */
    bool started;
};

/* Where open() puts what it finds wrong. */
struct complaint {
    char *text;
    size_t size;
};

__attribute__((format(printf, 2, 3))) static int refuse(const struct complaint *why,
                                                        const char *format, ...) {
    if (why->text && why->size > 0) {
        va_list arguments;
        va_start(arguments, format);
        vsnprintf(why->text, why->size, format, arguments);
        va_end(arguments);
    }
    return -EINVAL;
}

static double number(const struct board_settings *settings, const char *name, double missing) {
    return board_setting_number(&board_driver_sim, settings, name, missing);
}

static const char *text(const struct board_settings *settings, const char *name) {
    return board_setting_text(&board_driver_sim, settings, name);
}

/* Whoever calls without the hookup's own check gets the same answer. */
static int check_ranges(const struct board_settings *settings, const struct complaint *why) {
    for (const struct board_option *option = options; option->name; option++) {
        const char *value = text(settings, option->name);
        if (!value || (option->type != BOARD_OPTION_NUMBER && option->type != BOARD_OPTION_WHOLE))
            continue;
        char *end = NULL;
        double read = strtod(value, &end);
        if (end == value || *end != '\0' || !(read >= option->lowest && read <= option->highest))
            return refuse(why, "%s = %s: a number from %.10g to %.10g is wanted (%s).",
                          option->name, value, option->lowest, option->highest, option->help);
        if (option->type == BOARD_OPTION_WHOLE && read != floor(read))
            return refuse(why, "%s = %s: a whole number is wanted (%s).", option->name, value,
                          option->help);
    }
    return 0;
}

/* "2026-03-17T22:30", with or without seconds and zone. */
static bool is_date_time(const char *value) {
    struct tm when = {0};
    const char *rest = strptime(value, "%Y-%m-%dT%H:%M", &when);
    if (rest && *rest == ':')
        rest = strptime(rest, ":%S", &when);
    if (rest && *rest != '\0')
        rest = strptime(rest, "%z", &when);
    return rest && *rest == '\0';
}

static int read_time(const struct board_settings *settings, struct sim_night_plan *plan,
                     struct sim_pace *pace, const struct complaint *why) {
    const char *speed = text(settings, "pace");
    if (sim_pace_parse(speed, pace) < 0)
        return refuse(why, "pace = %s: real, free, or a number from %g to %g is wanted.", speed,
                      SIM_PACE_SLOWEST, SIM_PACE_FASTEST);
    pace->rate_hz = plan->rate_hz;
    double hours = number(settings, "hours", pace->real ? 0.0 : STANDARD_HOURS);
    if (hours <= 0.0 && pace->free)
        return refuse(why, "hours = 0: a night at pace = free needs an end; say how many hours.");
    plan->schedule.endless = hours <= 0.0;
    plan->schedule.span_s = plan->schedule.endless ? ENDLESS_SPAN_S : hours * 3600.0;

    const char *begins = text(settings, "begins");
    if (begins && pace->real)
        return refuse(why,
                      "begins = %s: a night in real time begins now; leave it out, or say "
                      "pace = 1.",
                      begins);
    if (begins && !is_date_time(begins))
        return refuse(why, "begins = %s: a date and time such as 2026-03-17T22:30:00 is wanted.",
                      begins);
    return 0;
}

static int read_attempts(const struct board_settings *settings, struct sim_schedule *schedule,
                         const struct complaint *why) {
    schedule->seed = (uint64_t)number(settings, "seed", 1.0);
    schedule->attempts = (unsigned)number(settings, "attempts", 11.0);
    if (schedule->attempts * SIM_ATTEMPT_LEAST_S > schedule->span_s)
        return refuse(why, "attempts = %u: %g hours have room for %.0f, %g s each.",
                      schedule->attempts, schedule->span_s / 3600.0,
                      floor(schedule->span_s / SIM_ATTEMPT_LEAST_S), SIM_ATTEMPT_LEAST_S);
    const char *fault = text(settings, "fault");
    schedule->fault = sim_fault_from_name(fault);
    if (schedule->fault == SIM_FAULTS)
        return refuse(why, "fault = %s: one of %s is wanted.", fault, SIM_FAULT_WORDS);
    if (schedule->fault == SIM_FAULT_NONE)
        return 0;
    if (schedule->attempts == 0)
        return refuse(why, "fault = %s: with attempts = 0 there is none it could happen in.",
                      fault);
    double standard = schedule->attempts > 2 ? schedule->attempts - 2.0 : schedule->attempts;
    schedule->fault_attempt = (unsigned)number(settings, "fault-attempt", standard);
    if (schedule->fault_attempt > schedule->attempts)
        return refuse(why, "fault-attempt = %u: there are only %u attempts.",
                      schedule->fault_attempt, schedule->attempts);
    return 0;
}

static int read_board(const struct board_settings *settings, struct sim_night_plan *plan,
                      const struct complaint *why) {
    plan->rate_hz = number(settings, "rate", 0.0);
    plan->skew_s = number(settings, "skew", 0.0);
    plan->inputs = (size_t)number(settings, "inputs", 0.0);
    plan->bits = (unsigned)number(settings, "bits", 0.0);
    plan->cylinders = (unsigned)number(settings, "cylinders", 0.0);
    if (plan->skew_s * (double)plan->inputs * plan->rate_hz > 1.0)
        return refuse(why, "skew = %g: %zu inputs at %g scans a second leave %g s for each.",
                      plan->skew_s, plan->inputs, plan->rate_hz,
                      1.0 / plan->rate_hz / (double)plan->inputs);
    const char *wheel = text(settings, "wheel");
    if (sim_wheel_parse(wheel, &plan->wheel) < 0)
        return refuse(why,
                      "wheel = %s: places and missing teeth are wanted, as 36, 36-1, 60-2 or "
                      "36-2-2, at most 360 places.",
                      wheel);
    return 0;
}

static int sim_open(const struct board_settings *settings, const struct board_sinks *sinks,
                    struct board **board, char *why_text, size_t why_size) {
    struct complaint why = {why_text, why_size};
    struct sim_night_plan plan = {0};
    struct sim_pace pace;
    int result = check_ranges(settings, &why);
    if (result == 0)
        result = read_board(settings, &plan, &why);
    if (result == 0)
        result = read_time(settings, &plan, &pace, &why);
    if (result == 0)
        result = read_attempts(settings, &plan.schedule, &why);
    if (result < 0)
        return result;

    struct board *made = calloc(1, sizeof *made);
    result = made ? sim_night_new(&plan, &made->night) : -ENOMEM;
    if (result < 0) {
        free(made);
        (void)refuse(&why, "There is not enough memory.");
        return result;
    }
    made->sinks = *sinks;
    made->pace = pace;
    made->rate_hz = plan.rate_hz;
    made->skew_s = plan.skew_s;
    made->inputs = plan.inputs;
    made->bits = plan.bits;
    if (!plan.schedule.endless)
        made->scans = (uint64_t)fmax(round(plan.schedule.span_s * plan.rate_hz), 1.0);
    made->fetch_most = (uint64_t)fmax(floor(plan.rate_hz * FETCH_MOST_S), 1.0);
    *board = made;
    return 0;
}

static int sim_describe(const struct board *board, struct board_description *description) {
    const struct sim_converter *converter = sim_night_converter(board->night);
    *description = (struct board_description){
        .inputs = board->inputs, .rate_hz = board->rate_hz, .skew_s = board->skew_s};
    for (size_t input = 0; input < board->inputs; input++) {
        description->bits[input] = board->bits;
        description->rail_low[input] = 0;
        description->rail_high[input] = converter->top;
        description->volts_per_count[input] = 1.0 / converter->counts_per_volt;
        description->zero_counts[input] = converter->zero_counts;
    }
    snprintf(description->identity, sizeof description->identity, "simulated parcel van");
    return 0;
}

/* A night that was stopped goes on where it was. */
static int sim_start(struct board *board, struct board_bytes *request) {
    if (request)
        request->count = 0;
    sim_pace_begin(&board->pace, sim_night_position(board->night));
    board->started = true;
    return 0;
}

static int sim_fetch(struct board *board, int deadline_ms) {
    if (!board->started)
        return -ENODEV;
    uint64_t position = sim_night_position(board->night);
    uint64_t most = board->fetch_most;
    if (board->scans) {
        if (position >= board->scans)
            return -ENODATA;
        if (most > board->scans - position)
            most = board->scans - position;
    }
    uint64_t due = sim_pace_due(&board->pace, position, most, deadline_ms);
    for (uint64_t left = due; left > 0;) {
        const int32_t *counts = NULL;
        size_t scans = sim_night_scans(board->night, (size_t)left, &counts);
        board->sinks.samples(board->sinks.context, counts, scans);
        left -= scans;
    }
    if (due > 0 && !board->pace.real) {
        double elapsed_s = (double)(position + due) / board->rate_hz;
        board->sinks.note(board->sinks.context, BOARD_NOTE_TIME, llround(elapsed_s * 1e9));
    }
    return (int)due;
}

static int sim_stop(struct board *board, struct board_bytes *request) {
    if (request)
        request->count = 0;
    board->started = false;
    return 0;
}

static void sim_close(struct board *board) {
    if (!board)
        return;
    sim_night_free(board->night);
    free(board);
}

const struct board_driver board_driver_sim = {
    .interface = BOARD_INTERFACE,
    .name = "sim",
    .summary = "a simulated parcel van, for trying everything without a board",
    .shape = BOARD_POLL,
    .bus = BOARD_SIMULATED,
    .maturity = BOARD_TRIED_ON_FAKES_ONLY,
    .options = options,
    .silence_limit_s = 5.0,
    .open = sim_open,
    .describe = sim_describe,
    .start = sim_start,
    .fetch = sim_fetch,
    .stop = sim_stop,
    .close = sim_close,
};
