// SPDX-License-Identifier: Apache-2.0
/*
 * measuring.c - judges the board by what is known of it, in sentences.
 */
#include "measuring.h"

#include <math.h>
#include <stdio.h>

#define LOADED          0.02 /* of the pull-up: worth a word */
#define LOADED_SERIOUS  0.10 /* the control unit may see another level than without the logger */
#define REFERENCE_SHARE 0.01 /* of nominal, where the channel has no tolerance */

bool measuring_loading(const struct vehicle *vehicle, size_t index, struct measuring_note *note) {
    const struct vehicle_sensor *sensor = &vehicle->sensors[index];
    double share = vehicle_pull_up_share(vehicle, sensor);
    if (sensor->kind != SENSOR_HALL || 1.0 - share < LOADED)
        return false;
    const struct vehicle_channel *signal = &vehicle->channels[sensor->signal];
    note->channel = sensor->signal;
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
    note->serious = true;
    snprintf(note->text, sizeof note->text,
             "read %.3f V (phase %s), and is known to be %.3f V: every level of %s%s may "
             "be %.1f %% too %s then. Calibrate it (cranktrap ready --known); where it is off "
             "only in some phases, the board's own reference moves with its supply: feed it from "
             "a supply of its own.",
             channel->nominal * (1.0 + error), phase_name(phase), channel->nominal,
             known ? "board " : "this record", board, 100 * fabs(error),
             error > 0 ? "high" : "low");
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
    note->serious = true;
    snprintf(note->text, sizeof note->text,
             "its edges and the compressions together tell %u cylinders, and the hookup says %u "
             "(attempt %u). Put \"cylinders\" or \"wheel\" right; where both are right, look "
             "whether every cylinder has compression.",
             other->cylinders, vehicle->cylinders, other->number);
    return true;
}
