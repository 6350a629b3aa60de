// SPDX-License-Identifier: Apache-2.0
/*
 * measuring.c - judges the board by what is known of it, in sentences.
 */
#include "measuring.h"

#include "words.h"

#include <math.h>
#include <stdio.h>

#define LOADED          0.02 /* of the pull-up: worth a word */
#define LOADED_SERIOUS  0.10 /* the control unit may see another level than without the logger */
#define REFERENCE_SHARE 0.01 /* of nominal, where the channel has no tolerance */

#define CRANKING_RPM    200.0 /* within 140 to 220, see slow-crank in docs/limits.md */
#define SLOW_FOR_ANY_HZ 200.0 /* where no wheel is known: too slow for any but the coarsest */

bool measuring_loading(const struct vehicle *vehicle, size_t index, struct measuring_note *note) {
    const struct vehicle_sensor *sensor = &vehicle->sensors[index];
    double share = vehicle_pull_up_share(vehicle, sensor);
    if (sensor->kind != SENSOR_HALL || 1.0 - share < LOADED)
        return false;
    const struct vehicle_channel *signal = &vehicle->channels[sensor->signal];
    note->channel = sensor->signal;
    note->about = "loading";
    note->serious = 1.0 - share > LOADED_SERIOUS;
    snprintf(note->text, sizeof note->text,
             "its input of %.3g kohm loads the pull-up of %.3g kohm, so that the wire itself "
             "stands at %.0f %% of what it would without the logger. The limit of its high level "
             "is lowered by as much%s",
             signal->input_ohms / 1e3, sensor->pull_up_ohms / 1e3, 100 * share,
             note->serious ? "; but the control unit sees that level, too: a series resistor at "
                             "the probe, or an input of more ohms, before the wire is judged."
                           : ".");
    return true;
}

/* Off its nominal, as a share of it, farthest from 0 in any phase; NAN: not seen. */
static double worst_error(const struct analysis *analysis, size_t channel, double nominal,
                          enum phase *phase) {
    double worst = (double)NAN;
    for (size_t i = 0; i < analysis->level_count; i++) {
        const struct analysis_level *level = &analysis->levels[i];
        double error = level->average / nominal - 1.0;
        if (level->channel != channel || isnan(error) || fabs(error) <= fabs(worst))
            continue;
        worst = error;
        *phase = level->phase;
    }
    return worst;
}

bool measuring_reference(const struct hookup *hookup, const struct analysis *analysis, size_t index,
                         struct measuring_note *note) {
    const struct vehicle_channel *channel = &hookup->vehicle.channels[index];
    if (channel->role != ROLE_REFERENCE || !isfinite(channel->nominal))
        return false;
    enum phase phase = PHASE_UNKNOWN;
    double allowed =
        isfinite(channel->tolerance) ? channel->tolerance / channel->nominal : REFERENCE_SHARE;
    double error = worst_error(analysis, index, channel->nominal, &phase);
    if (!(fabs(error) > allowed))
        return false;
    bool known = hookup->board_count > 0;
    const char *board = known ? hookup->boards[channel->stream].name : "";
    note->channel = index;
    note->about = "reference";
    note->serious = true;
    snprintf(note->text, sizeof note->text,
             "read %.3f V %s, and is known to be %.3f V: every level of %s%s may "
             "be %.1f %% too %s then. Calibrate it (cranktrap ready --known); where it is off "
             "only in some phases, the board's own reference moves with its supply: feed it from "
             "a supply of its own.",
             channel->nominal * (1.0 + error), words_phase(phase), channel->nominal,
             known ? "board " : "this record", board, 100 * fabs(error),
             error > 0 ? "high" : "low");
    return true;
}

/* Scans a second for the states of the sensor whose signal this is; 0: its wheel is not known. */
static double rate_needed(const struct hookup *hookup, size_t channel) {
    double needed = 0;
    for (size_t i = 0; i < hookup->vehicle.sensor_count; i++) {
        const struct vehicle_sensor *sensor = &hookup->vehicle.sensors[i];
        double turns = CRANKING_RPM / 60.0 / (sensor->shaft == SHAFT_CAM ? 2.0 : 1.0);
        if (sensor->signal == channel)
            needed = turns * 2.0 * sensor->wheel.places * hookup->limits.samples_per_state;
    }
    return needed;
}

bool measuring_speed(const struct hookup *hookup, size_t channel, double rate_hz,
                     double dead_time_s, struct measuring_note *note) {
    double needed = rate_needed(hookup, channel);
    bool slow = rate_hz > 0 && rate_hz < (needed > 0 ? needed : SLOW_FOR_ANY_HZ);
    if (hookup->vehicle.channels[channel].role != ROLE_SIGNAL || !(slow || dead_time_s > 0))
        return false;
    char edges[96] = "";
    if (needed > 0)
        snprintf(edges, sizeof edges, ": its wheel at %.0f rpm needs %.0f", CRANKING_RPM,
                 ceil(needed / 10) * 10);
    note->channel = channel;
    note->about = "speed";
    note->serious = true;
    if (slow)
        snprintf(note->text, sizeof note->text,
                 "its board takes %.4g scans/s, too slow for the edges of a signal%s. Its levels "
                 "and edges cannot be judged; put this lead on a faster board.",
                 rate_hz, edges);
    else
        snprintf(note->text, sizeof note->text,
                 "its board takes bursts and sees nothing for about %.3g ms between them, by "
                 "design: edges in that time are not there, and a gap in the signal cannot be told "
                 "from it. Put this lead on a board that streams.",
                 dead_time_s * 1e3);
    return true;
}

/* The channel whose edges told; CHANNEL_NONE. */
static size_t edges_of(const struct analysis_attempt *attempt) {
    for (size_t i = 0; i < attempt->speed_count; i++)
        if (attempt->speeds[i].source == ROTATION_BY_EDGES)
            return attempt->speeds[i].channel;
    return CHANNEL_NONE;
}

bool measuring_cylinders(const struct vehicle *vehicle, const struct analysis *analysis,
                         struct measuring_note *note) {
    const struct analysis_attempt *other = NULL;
    for (size_t i = 0; i < analysis->attempt_count; i++) {
        const struct analysis_attempt *attempt = &analysis->attempts[i];
        if (vehicle->cylinders == 0 || attempt->cylinders == vehicle->cylinders)
            return false;
        if (attempt->cylinders != 0 && edges_of(attempt) != CHANNEL_NONE)
            other = attempt;
    }
    if (other == NULL)
        return false;
    note->channel = edges_of(other);
    note->about = "cylinders";
    note->serious = true;
    snprintf(note->text, sizeof note->text,
             "its edges and the compressions together tell %u cylinders, and the hookup says %u "
             "(attempt %u). Put \"cylinders\" or \"wheel\" right; where both are right, look "
             "whether every cylinder has compression.",
             other->cylinders, vehicle->cylinders, other->number);
    return true;
}
