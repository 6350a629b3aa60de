// SPDX-License-Identifier: Apache-2.0
/*
 * survey.c - sorts the samples of a window by channel, phase and departure.
 */
#include "survey.h"

#include "difference.h"
#include "wheel_given.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define BEFORE_S          0.02 /* so much before a departure is its "before" */
#define ONSET_S           0.05 /* so much behind its onset belongs to the onset */
#define SETTLE_S          0.02 /* a supply's capacitors: what follows later is the state while down */
#define FOLLOW_BEFORE_S   1.0   /* of the battery and a feed before the starter engages */
#define FOLLOW_LEAST_V    0.3   /* a battery that moves less tells nothing of what follows it */
#define COPY_LEAST_COUNTS 100.0 /* variance of an input that moves */
#define DEAD_SHARE        0.3   /* of its nominal: no sensor works on less */
#define KEY_DATED_S       0.05
#define RECENT            8 /* intervals that tell when the next edge is due */
#define NARROWEST         1e-6
#define OCTAVE            4 /* bins of widths */

struct survey_signal {
    double edges_a_crank_turn; /* of both directions; 0: the wheel was not given */
    double last_s;             /* newest edge; NAN */
    double recent[RECENT];
    unsigned recent_count, recent_next;
    struct survey *survey;
    size_t channel;
};

static struct reading *reading_of(const struct survey *survey, size_t channel, enum phase phase) {
    return &survey->readings[channel * SURVEY_PHASES + (size_t)phase];
}

const struct reading *survey_reading(const struct survey *survey, size_t channel,
                                     enum phase phase) {
    return reading_of(survey, channel, phase);
}

static struct departure_view *view_of(const struct survey *survey, size_t departure,
                                      size_t channel) {
    return &survey->views[departure * survey->vehicle->channel_count + channel];
}

const struct departure_view *survey_view(const struct survey *survey, size_t departure,
                                         size_t channel) {
    return view_of(survey, departure, channel);
}

/* A return that is bad rises with the key itself, which is dated a little later than it. */
static double dated_s(const struct survey *survey, const struct departure *departure) {
    enum role role = survey->vehicle->channels[departure->channel].role;
    return role == ROLE_RETURN || role == ROLE_GROUND ? KEY_DATED_S : 0.0;
}

/* Those of the window, but not what comes while the key is off: that is no event anyhow. */
static void choose(struct survey *survey, const struct departure *departures, size_t count) {
    const struct window *window = survey->window;
    size_t channel = CHANNEL_NONE, of_channel = 0;
    for (size_t i = 0; i < count; i++) {
        const struct departure *departure = &departures[i];
        if (departure->from_until_s < window->from_s || departure->from_until_s >= window->to_s ||
            window_phase_at(window, departure->from_until_s + dated_s(survey, departure)) ==
                PHASE_KEY_OFF)
            continue;
        of_channel = departure->channel == channel ? of_channel : 0;
        channel = departure->channel;
        if (survey->departure_count < SURVEY_DEPARTURES && of_channel < SURVEY_PER_CHANNEL) {
            survey->departures[survey->departure_count++] = departure;
            of_channel++;
        } else {
            survey->more_departures++;
        }
    }
}

static void fit_signal(struct survey *survey, size_t channel) {
    const struct vehicle *vehicle = survey->vehicle;
    struct survey_signal *signal = &survey->signals[channel];
    size_t sensor = vehicle_sensor_of_channel(vehicle, channel);
    signal->survey = survey;
    signal->channel = channel;
    signal->last_s = (double)NAN;
    if (sensor == CHANNEL_NONE || vehicle->sensors[sensor].wheel.places == 0 ||
        vehicle->sensors[sensor].signal != channel)
        return;
    double crank_turns = vehicle->sensors[sensor].shaft == SHAFT_CAM ? 2.0 : 1.0;
    signal->edges_a_crank_turn =
        2.0 * (double)wheel_given_edges(&vehicle->sensors[sensor].wheel) / crank_turns;
}

static void init_views(struct survey *survey) {
    for (size_t i = 0; i < SURVEY_DEPARTURES; i++) {
        for (size_t k = 0; k < DEPARTURE_SPELLS; k++)
            survey->dead[i][k] = (struct departure_spell){HUGE_VAL, -HUGE_VAL};
    }
    for (size_t i = 0; i < SURVEY_DEPARTURES * survey->vehicle->channel_count; i++) {
        struct departure_view *view = &survey->views[i];
        view->lowest = HUGE_VAL;
        view->highest = -HUGE_VAL;
        view->lowest_at_onset = HUGE_VAL;
        view->last_edge_s = (double)NAN;
        view->interval_s = (double)NAN;
    }
}

int survey_new(const struct window *window, const struct departure *departures,
               size_t departure_count, struct survey **survey) {
    size_t channels = window->vehicle->channel_count;
    struct survey *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->window = window;
    made->vehicle = window->vehicle;
    made->limits = window->limits;
    made->views = calloc(SURVEY_DEPARTURES * channels + 1, sizeof *made->views);
    made->readings = calloc(SURVEY_PHASES * channels + 1, sizeof *made->readings);
    made->signals = calloc(channels + 1, sizeof *made->signals);
    made->follows = calloc(channels + 1, sizeof *made->follows);
    made->copies = calloc(channels + 1, sizeof *made->copies);
    if (made->follows == NULL || made->copies == NULL || made->views == NULL ||
        made->readings == NULL || made->signals == NULL)
        goto failed;
    choose(made, departures, departure_count);
    init_views(made);
    for (size_t i = 0; i < channels; i++)
        fit_signal(made, i);
    *survey = made;
    return 0;

failed:
    survey_free(made);
    return -ENOMEM;
}

void survey_free(struct survey *survey) {
    if (survey == NULL)
        return;
    size_t channels = survey->vehicle->channel_count;
    for (size_t i = 0; survey->readings != NULL && i < channels * SURVEY_PHASES; i++) {
        free(survey->readings[i].levels);
        free(survey->readings[i].surge);
        free(survey->readings[i].judged);
    }
    free(survey->views);
    free(survey->readings);
    free(survey->signals);
    free(survey->follows);
    free(survey->copies);
    free(survey->scratch);
    free(survey);
}

/* --- Edges ------------------------------------------------------------------------------ */

static double mean_interval(const struct survey_signal *signal) {
    double sum = 0.0;
    for (unsigned i = 0; i < signal->recent_count; i++)
        sum += signal->recent[i];
    return signal->recent_count > 0 ? sum / signal->recent_count : (double)NAN;
}

/* Longest of the newest intervals: the next edge is due no later, tooth gaps apart. */
static double longest_interval(const struct survey_signal *signal) {
    double longest = mean_interval(signal);
    for (unsigned i = 0; i < signal->recent_count; i++)
        longest = fmax(longest, signal->recent[i]);
    return longest;
}

/* When a fall is over, as far as the window shows. */
static double spell_end(const struct survey *survey, const struct departure_spell *spell) {
    return isnan(spell->to_s) ? survey->window->to_s : fmin(spell->to_s, survey->window->to_s);
}

/* From here on the feed is down for good: a moment behind the fall, half-way through a short one.
 */
static double spell_settled(const struct survey *survey, const struct departure_spell *spell) {
    return fmin(spell->from_s + SETTLE_S, (spell->from_s + spell_end(survey, spell)) / 2.0);
}

static bool is_out(const struct survey *survey, const struct departure *departure, double at_s) {
    for (size_t i = 0; i < departures_spells(departure); i++) {
        if (at_s >= spell_settled(survey, &departure->spells[i]) &&
            at_s < spell_end(survey, &departure->spells[i]))
            return true;
    }
    return false;
}

static bool is_dead(const struct survey *survey, size_t index, double at_s) {
    for (size_t i = 0; i < DEPARTURE_SPELLS; i++) {
        const struct departure_spell *dead = &survey->dead[index][i];
        if (at_s > dead->from_s && at_s < dead->to_s)
            return true;
    }
    return false;
}

static void note_edge_at_departures(struct survey_signal *signal, double at_s) {
    const struct survey *survey = signal->survey;
    for (size_t i = 0; i < survey->departure_count; i++) {
        const struct departure *departure = survey->departures[i];
        struct departure_view *view = view_of(survey, i, signal->channel);
        if (at_s <= departure->from_until_s) {
            view->last_edge_s = at_s;
            view->interval_s = longest_interval(signal);
        } else if (is_out(survey, departure, at_s)) {
            view->edges_out++;
            view->edges_dead += is_dead(survey, i, at_s);
        }
    }
}

/* Notes the width of a state that an edge ends. */
static void note_width(struct reading *reading, bool high, double width_s) {
    double bin = width_s > NARROWEST ? OCTAVE * log2(width_s / NARROWEST) : 0.0;
    size_t i = bin < WIDTH_BINS - 1 ? (size_t)bin : WIDTH_BINS - 1;
    reading->widths[high].states[i]++;
    reading->widths[high].sum_s[i] += width_s;
}

/* Does the engine turn faster than any starter turns it? */
static bool has_caught(const struct survey_signal *signal) {
    if (signal->edges_a_crank_turn == 0.0 || signal->recent_count < RECENT)
        return false;
    double rpm = 60.0 / (signal->edges_a_crank_turn * mean_interval(signal));
    return rpm >= signal->survey->limits->running_speed;
}

static void take_pulse(struct survey_signal *signal, const struct pulse *pulse) {
    struct survey *survey = signal->survey;
    enum phase phase = window_phase_at(survey->window, pulse->at_s);
    struct reading *reading = reading_of(survey, signal->channel, phase);
    reading->edges++;
    note_edge_at_departures(signal, pulse->at_s);
    if (!isnan(signal->last_s) && !pulse->first_state) {
        double interval_s = pulse->at_s - signal->last_s;
        if (phase != PHASE_CRANKING || !has_caught(signal))
            note_width(reading, !pulse->rises, interval_s);
        signal->recent[signal->recent_next] = interval_s;
        signal->recent_next = (signal->recent_next + 1) % RECENT;
        if (signal->recent_count < RECENT)
            signal->recent_count++;
    }
    signal->last_s = pulse->at_s;
}

void survey_finish(struct survey *survey, struct pulses *const *pulses) {
    for (size_t i = 0; i < survey->vehicle->channel_count; i++) {
        size_t count = 0;
        const struct pulse *list = pulses[i] == NULL ? NULL : pulses_list(pulses[i], &count);
        for (size_t k = 0; k < count; k++)
            take_pulse(&survey->signals[i], &list[k]);
    }
}

static size_t median_bin(const struct state_widths *widths) {
    unsigned long all = 0;
    unsigned long seen = 0;
    size_t median = 0;
    for (size_t i = 0; i < WIDTH_BINS; i++)
        all += widths->states[i];
    while (median < WIDTH_BINS - 1 && (seen + widths->states[median]) * 2 <= all)
        seen += widths->states[median++];
    return median;
}

static double usual_width(const struct state_widths *widths) {
    size_t median = median_bin(widths);
    size_t first = median < OCTAVE ? 0 : median - OCTAVE;
    unsigned long states = 0;
    double sum_s = 0.0;
    for (size_t i = first; i < WIDTH_BINS && i <= median + OCTAVE; i++) {
        states += widths->states[i];
        sum_s += widths->sum_s[i];
    }
    return states > 0 ? sum_s / (double)states : (double)NAN;
}

double survey_shortest_state(const struct reading *reading) {
    return fmin(usual_width(&reading->widths[0]), usual_width(&reading->widths[1]));
}

bool survey_turned(const struct survey *survey) {
    for (size_t i = 0; i < survey->vehicle->channel_count; i++) {
        if (survey->vehicle->channels[i].role == ROLE_SIGNAL &&
            reading_of(survey, i, PHASE_CRANKING)->edges >= 4)
            return true;
    }
    return false;
}

/* --- Levels ----------------------------------------------------------------------------- */

static void add_levels(struct survey *survey, struct levels **levels, const int32_t *counts,
                       size_t count) {
    if (count == 0)
        return;
    if (*levels == NULL) {
        *levels = malloc(sizeof **levels);
        if (*levels == NULL) {
            survey->error = -ENOMEM;
            return;
        }
        levels_init(*levels);
    }
    levels_push(*levels, counts, count);
}

static int32_t *scratch(struct survey *survey, size_t count) {
    if (count > survey->scratch_room) {
        int32_t *room = realloc(survey->scratch, count * sizeof *room);
        if (room == NULL) {
            survey->error = -ENOMEM;
            return NULL;
        }
        survey->scratch = room;
        survey->scratch_room = count;
    }
    return survey->scratch;
}

static bool has_judged(const struct vehicle *vehicle, size_t channel) {
    enum role role = vehicle->channels[channel].role;
    return (role == ROLE_FEED || role == ROLE_SIGNAL) &&
           difference_return(vehicle, channel) != CHANNEL_NONE;
}

/* Scans [first, end) of a run, all in one phase. */
static void add_phase(struct survey *survey, const struct record_run *run, size_t channel,
                      enum phase phase, size_t first, size_t end, bool surge) {
    const struct vehicle *vehicle = survey->vehicle;
    struct reading *reading = reading_of(survey, channel, phase);
    const int32_t *counts = run->counts[vehicle->channels[channel].input];
    if (end <= first)
        return;
    reading->time_s += (double)(end - first) * run->period_s;
    reading->period_s = fmax(reading->period_s, run->period_s);
    add_levels(survey, surge ? &reading->surge : &reading->levels, counts + first, end - first);
    if (surge || !has_judged(vehicle, channel))
        return;
    int32_t *against = scratch(survey, end - first);
    if (against == NULL)
        return;
    difference_make(vehicle, run, channel, difference_return(vehicle, channel), first, end - first,
                    against);
    add_levels(survey, &reading->judged, against, end - first);
}

static double surge_time(const struct survey *survey, size_t channel) {
    return survey->vehicle->channels[channel].role == ROLE_RETURN
               ? survey->limits->return_surge_time
               : survey->limits->feed_inrush_exempt;
}

static void push_levels(struct survey *survey, const struct record_run *run, size_t channel,
                        double lag_s) {
    const struct window *window = survey->window;
    for (size_t i = 0; i < window->phase_count; i++) {
        const struct analysis_phase *phase = &window->phases[i];
        double from_s = fmax(phase->from_s, window->from_s);
        double to_s = fmin(phase->to_s, window->to_s);
        if (to_s <= from_s)
            continue;
        size_t first = window_scans_before(run, lag_s, from_s);
        size_t end = window_scans_before(run, lag_s, to_s);
        if (phase->phase == PHASE_CRANKING) {
            double settled_s = phase->from_s + surge_time(survey, channel);
            size_t settled = window_scans_before(run, lag_s, fmin(settled_s, to_s));
            settled = settled > first ? settled : first;
            add_phase(survey, run, channel, phase->phase, first, settled, true);
            first = settled;
        }
        add_phase(survey, run, channel, phase->phase, first, end, false);
    }
}

/* --- Departures ------------------------------------------------------------------------------- */

static void see_out(const struct vehicle_channel *of, const int32_t *counts, size_t first,
                    size_t end, struct departure_view *view) {
    for (size_t i = first; i < end; i++) {
        double value = scale_value(&of->scale, counts[i]);
        view->lowest = fmin(view->lowest, value);
        view->highest = fmax(view->highest, value);
        view->out_sum += value;
    }
    view->out_count += end > first ? end - first : 0;
}

/* Where a feed that is out reads next to nothing. */
static void see_dead(struct survey *survey, const struct record_run *run, size_t index,
                     size_t spell, size_t first, size_t end) {
    const struct departure *departure = survey->departures[index];
    const struct vehicle_channel *of = &survey->vehicle->channels[departure->channel];
    double nominal = of->nominal_is_battery ? survey->vehicle->system_volts : of->nominal;
    double from_s = run->time_s + window_lag_s(survey->window, departure->channel);
    struct departure_spell *dead = &survey->dead[index][spell];
    for (size_t i = first; of->role == ROLE_FEED && i < end; i++) {
        if (scale_value(&of->scale, run->counts[of->input][i]) >= DEAD_SHARE * nominal)
            continue;
        double at_s = from_s + run->period_s * (double)i;
        if (dead->from_s > at_s)
            dead->from_s = at_s;
        dead->to_s = at_s;
    }
}

static void see_departure(struct survey *survey, const struct record_run *run, size_t channel,
                          double lag_s, size_t index) {
    const struct vehicle_channel *of = &survey->vehicle->channels[channel];
    const struct departure *departure = survey->departures[index];
    struct departure_view *view = view_of(survey, index, channel);
    size_t before = window_scans_before(run, lag_s, departure->from_s - BEFORE_S);
    size_t inside = window_scans_before(run, lag_s, departure->from_s + run->period_s * 0.5);
    size_t onset = window_scans_before(run, lag_s, departure->from_until_s + ONSET_S);
    const int32_t *counts = run->counts[of->input];
    for (size_t i = before; i < inside; i++) {
        view->before_sum += scale_value(&of->scale, counts[i]);
        view->before_count++;
    }
    for (size_t i = inside; i < onset; i++)
        view->lowest_at_onset = fmin(view->lowest_at_onset, scale_value(&of->scale, counts[i]));
    for (size_t i = 0; i < departures_spells(departure); i++) {
        const struct departure_spell *spell = &departure->spells[i];
        size_t first = window_scans_before(run, lag_s, spell_settled(survey, spell));
        size_t end = window_scans_before(run, lag_s, spell_end(survey, spell));
        see_out(of, counts, first, end, view);
        if (channel == departure->channel)
            see_dead(survey, run, index, i, first, end);
    }
}

/* --- Runs ------------------------------------------------------------------------------- */

/* --- The battery beside a feed ------------------------------------------------------------- */

static void add_pair(struct follow *follow, double x, double y) {
    follow->count += 1.0;
    follow->x += x;
    follow->y += y;
    follow->xx += x * x;
    follow->xy += x * y;
    follow->yy += y * y;
}

static void see_follow(struct survey *survey, const struct record_run *run, size_t channel) {
    const struct vehicle *vehicle = survey->vehicle;
    const struct window *window = survey->window;
    const struct vehicle_channel *feed = &vehicle->channels[channel];
    size_t battery = vehicle_channel_by_role(vehicle, ROLE_BATTERY);
    if (feed->role != ROLE_FEED || isnan(window->engaged_s) || battery == CHANNEL_NONE ||
        vehicle->channels[battery].stream != run->stream)
        return;
    const struct vehicle_channel *of = &vehicle->channels[battery];
    struct follow *follow = &survey->follows[channel];
    size_t end = window_scans_before(run, 0.0, window->released_s);
    for (size_t i = window_scans_before(run, 0.0, window->engaged_s - FOLLOW_BEFORE_S); i < end;
         i++) {
        double x = scale_value(&of->scale, run->counts[of->input][i]);
        double y = scale_value(&feed->scale, run->counts[feed->input][i]);
        add_pair(follow, x, y);
    }
}

bool survey_follows(const struct survey *survey, size_t channel, double *slope, double *r_squared) {
    const struct follow *follow = &survey->follows[channel];
    if (follow->count < 3.0)
        return false;
    double xx = follow->xx - follow->x * follow->x / follow->count;
    double xy = follow->xy - follow->x * follow->y / follow->count;
    double yy = follow->yy - follow->y * follow->y / follow->count;
    if (xx / follow->count < FOLLOW_LEAST_V * FOLLOW_LEAST_V || yy <= 0.0)
        return false;
    *slope = xy / xx;
    *r_squared = xy * xy / (xx * yy);
    return true;
}

/* --- An input beside the one before it -------------------------------------------------- */

/* Leads that may well move alike: all that hang on the battery, returns, feeds, signals alike. */
static bool alike(const struct vehicle *vehicle, size_t one, size_t other) {
    enum role role = vehicle->channels[one].role;
    if (role == ROLE_RETURN || role == ROLE_GROUND || role == ROLE_FEED)
        return vehicle->channels[other].role != ROLE_SIGNAL;
    if (role != ROLE_SIGNAL)
        return true;
    size_t sensor = vehicle_sensor_of_channel(vehicle, one);
    size_t beside = vehicle_sensor_of_channel(vehicle, other);
    return vehicle->channels[other].role != ROLE_SIGNAL || sensor == CHANNEL_NONE ||
           beside == CHANNEL_NONE ||
           vehicle->sensors[sensor].shaft == vehicle->sensors[beside].shaft;
}

/* The channel on the input converted just before, where it is of another kind; or CHANNEL_NONE. */
static size_t neighbour_of(const struct vehicle *vehicle, size_t channel) {
    const struct vehicle_channel *of = &vehicle->channels[channel];
    for (size_t i = 0; i < vehicle->channel_count; i++) {
        const struct vehicle_channel *before = &vehicle->channels[i];
        if (before->stream == of->stream && before->input + 1 == of->input &&
            !alike(vehicle, channel, i))
            return i;
    }
    return CHANNEL_NONE;
}

static void see_copy(struct survey *survey, const struct record_run *run, size_t channel) {
    const struct vehicle *vehicle = survey->vehicle;
    const struct window *window = survey->window;
    size_t neighbour = neighbour_of(vehicle, channel);
    if (isnan(window->engaged_s) || neighbour == CHANNEL_NONE)
        return;
    size_t end = window_scans_before(run, 0.0, window->released_s);
    const int32_t *x = run->counts[vehicle->channels[neighbour].input];
    const int32_t *y = run->counts[vehicle->channels[channel].input];
    for (size_t i = window_scans_before(run, 0.0, window->engaged_s); i < end; i++)
        add_pair(&survey->copies[channel], x[i], y[i]);
}

bool survey_copies(const struct survey *survey, size_t channel, size_t *neighbour, double *share,
                   double *r_squared) {
    const struct follow *copy = &survey->copies[channel];
    if (copy->count < 3.0)
        return false;
    double xx = copy->xx - copy->x * copy->x / copy->count;
    double xy = copy->xy - copy->x * copy->y / copy->count;
    double yy = copy->yy - copy->y * copy->y / copy->count;
    double through_zero = copy->xx > 0.0 ? copy->xy / copy->xx : 0.0;
    double left = copy->yy - through_zero * copy->xy; /* of y, not told by x */
    if (xx / copy->count < COPY_LEAST_COUNTS || yy <= 0.0 || xy <= 0.0)
        return false;
    *neighbour = neighbour_of(survey->vehicle, channel);
    *share = through_zero;
    *r_squared = 1.0 - fmax(left, yy - xy * xy / xx) / yy;
    return true;
}

double survey_level(const struct survey *survey, size_t channel, enum phase phase, double share,
                    bool difference) {
    const struct reading *reading = reading_of(survey, channel, phase);
    const struct scale against = difference_scale();
    if (difference && reading->judged != NULL)
        return levels_percentile(reading->judged, &against, share);
    if (reading->levels == NULL)
        return (double)NAN;
    return levels_percentile(reading->levels, &survey->vehicle->channels[channel].scale, share);
}

double survey_pull_up(const struct survey *survey, const struct vehicle_sensor *sensor,
                      enum phase phase) {
    const struct vehicle *vehicle = survey->vehicle;
    size_t battery = vehicle_channel_by_role(vehicle, ROLE_BATTERY);
    double volts = sensor->pull_up;
    if (sensor->pull_up_is_battery)
        volts = battery == CHANNEL_NONE ? (double)NAN
                                        : survey_level(survey, battery, phase, 0.5, false);
    else if (sensor->pull_up_is_feed && sensor->feed != CHANNEL_NONE)
        volts = survey_level(survey, sensor->feed, phase, 0.5, true);
    return volts * vehicle_pull_up_share(vehicle, sensor);
}

static void push_channel(struct survey *survey, const struct record_run *run, size_t channel) {
    double lag_s = window_lag_s(survey->window, channel);
    push_levels(survey, run, channel, lag_s);
    see_follow(survey, run, channel);
    see_copy(survey, run, channel);
    for (size_t i = 0; i < survey->departure_count; i++)
        see_departure(survey, run, channel, lag_s, i);
}

int survey_push(struct survey *survey, const struct record_run *run) {
    for (size_t i = 0; i < survey->vehicle->channel_count; i++) {
        const struct vehicle_channel *of = &survey->vehicle->channels[i];
        if (of->stream == run->stream && of->input < run->inputs)
            push_channel(survey, run, i);
    }
    return survey->error;
}
