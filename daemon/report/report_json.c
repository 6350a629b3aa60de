// SPDX-License-Identifier: Apache-2.0
/*
 * report_json.c - "cranktrap.report/1", as docs/json.md names its keys.
 */
#include "board_limits.h"
#include "calibration_json.h"
#include "measuring.h"
#include "report_parts.h"

#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

static json_t *number(double value) {
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *text(const char *value) {
    return value ? json_string(value) : json_null();
}

static json_t *texts(const struct analysis_texts *list) {
    json_t *array = json_array();
    for (size_t i = 0; i < list->count; i++)
        json_array_append_new(array, text(list->text[i]));
    return array;
}

static json_t *channel_name(const struct report *report, size_t channel) {
    return channel == CHANNEL_NONE ? json_null() : text(report->vehicle->channels[channel].name);
}

static json_t *sensor_name(const struct report *report, size_t sensor) {
    return sensor == CHANNEL_NONE ? json_null() : text(report->vehicle->sensors[sensor].name);
}

/* Levels of a channel: one object per phase and attempt. */
static json_t *levels_json(const struct report *report, size_t channel) {
    json_t *array = json_array();
    for (size_t i = 0; i < report->analysis->level_count; i++) {
        const struct analysis_level *level = &report->analysis->levels[i];
        if (level->channel != channel)
            continue;
        json_t *json = json_object();
        json_object_set_new(json, "phase", text(phase_name(level->phase)));
        json_object_set_new(json, "attempt",
                            level->attempt ? json_integer(level->attempt) : json_null());
        json_object_set_new(json, "lowest", number(level->lowest));
        json_object_set_new(json, "highest", number(level->highest));
        json_object_set_new(json, "average", number(level->average));
        json_object_set_new(json, "low", number(level->low));
        json_object_set_new(json, "high", number(level->high));
        json_object_set_new(json, "duty", number(level->duty));
        json_object_set_new(json, "edges_per_s", number(level->edges_per_s));
        json_array_append_new(array, json);
    }
    return array;
}

/* What is in the channel's scale; null: the hookup's own scale. */
static json_t *calibration_json(const struct report *report, size_t channel) {
    const struct hookup_calibration *of =
        hookup_calibration(playback_head(report->playback)->hookup, channel);
    return of->state == CALIBRATION_APPLIED ? calibration_to_json(&of->calibration) : json_null();
}

static json_t *channels_json(const struct report *report) {
    json_t *array = json_array();
    for (size_t i = 0; i < report->vehicle->channel_count; i++) {
        const struct vehicle_channel *channel = &report->vehicle->channels[i];
        json_t *json = json_object();
        json_object_set_new(json, "channel", text(channel->name));
        json_object_set_new(json, "role", text(role_name(channel->role)));
        json_object_set_new(json, "unit", text(channel->unit));
        json_object_set_new(json, "nominal", number(channel->nominal));
        json_object_set_new(json, "measured_at",
                            channel->measured_at == PLACE_UNKNOWN
                                ? json_null()
                                : text(place_name(channel->measured_at)));
        json_object_set_new(json, "calibration", calibration_json(report, i));
        json_object_set_new(json, "levels", levels_json(report, i));
        json_array_append_new(array, json);
    }
    return array;
}

static json_t *verdict_json(const struct report *report, const struct analysis_verdict *verdict) {
    json_t *json = json_object();
    json_object_set_new(json, "fault", text(fault_name(verdict->fault)));
    json_object_set_new(json, "circuit", text(fault_circuit(verdict->fault)));
    json_object_set_new(json, "sensor", sensor_name(report, verdict->sensor));
    json_object_set_new(json, "channel", channel_name(report, verdict->channel));
    json_object_set_new(json, "at_s", number(verdict->at_s));
    json_object_set_new(json, "at_from_s", number(verdict->at_from_s));
    json_object_set_new(json, "at_to_s", number(verdict->at_to_s));
    json_object_set_new(json, "certainty", text(certainty_name(verdict->certainty)));
    json_object_set_new(json, "observed", text(verdict->observed));
    json_object_set_new(json, "because", texts(&verdict->because));
    json_object_set_new(json, "followers", texts(&verdict->followers));
    json_object_set_new(json, "alternatives", texts(&verdict->alternatives));
    json_object_set_new(json, "next", texts(&verdict->next));
    json_object_set_new(json, "not_tested", texts(&verdict->not_tested));
    return json;
}

static json_t *phases_json(const struct report *report) {
    json_t *array = json_array();
    for (size_t i = 0; i < report->analysis->phase_count; i++) {
        const struct analysis_phase *phase = &report->analysis->phases[i];
        json_t *json = json_object();
        json_object_set_new(json, "name", text(phase_name(phase->phase)));
        json_object_set_new(json, "from_s", number(phase->from_s));
        json_object_set_new(json, "to_s", number(phase->to_s));
        json_array_append_new(array, json);
    }
    return array;
}

static json_t *speeds_json(const struct report *report, const struct analysis_attempt *attempt) {
    json_t *array = json_array();
    for (size_t i = 0; i < attempt->speed_count; i++) {
        const struct analysis_speed *speed = &attempt->speeds[i];
        json_t *json = json_object();
        json_object_set_new(json, "at_s", number(speed->at_s));
        json_object_set_new(json, "rpm", number(speed->rpm));
        json_object_set_new(json, "source", text(rotation_source_name(speed->source)));
        json_object_set_new(json, "channel", channel_name(report, speed->channel));
        json_array_append_new(array, json);
    }
    return array;
}

static json_t *turning_json(const struct report *report, const struct analysis_attempt *attempt) {
    json_t *array = json_array();
    for (size_t i = 0; i < attempt->turning_count; i++) {
        const struct rotation_stretch *stretch = &attempt->turning[i];
        json_t *json = json_object();
        json_object_set_new(json, "state", text(rotation_state_name(stretch->state)));
        json_object_set_new(json, "source", text(rotation_source_name(stretch->source)));
        json_object_set_new(json, "channel", channel_name(report, stretch->channel));
        json_object_set_new(json, "from_s", number(stretch->from_s));
        json_object_set_new(json, "to_s", number(stretch->to_s));
        json_array_append_new(array, json);
    }
    return array;
}

static json_t *attempts_json(const struct report *report) {
    json_t *array = json_array();
    for (size_t i = 0; i < report->analysis->attempt_count; i++) {
        const struct analysis_attempt *attempt = &report->analysis->attempts[i];
        json_t *json = json_object();
        json_object_set_new(json, "number", json_integer(attempt->number));
        json_object_set_new(json, "from_s", number(attempt->from_s));
        json_object_set_new(json, "to_s", number(attempt->to_s));
        json_object_set_new(json, "cut_short", json_boolean(attempt->cut_short));
        json_object_set_new(json, "rpm", number(attempt->rpm));
        json_object_set_new(json, "rpm_low", number(attempt->rpm_low));
        json_object_set_new(json, "rpm_high", number(attempt->rpm_high));
        json_object_set_new(json, "rpm_source", text(attempt->rpm_source));
        json_object_set_new(json, "cylinders_told",
                            attempt->cylinders ? json_integer(attempt->cylinders) : json_null());
        json_object_set_new(json, "speeds", speeds_json(report, attempt));
        json_object_set_new(json, "turning", turning_json(report, attempt));
        json_object_set_new(json, "outcome", text(outcome_name(attempt->outcome)));
        json_object_set_new(json, "verdict", verdict_json(report, &attempt->verdict));
        json_array_append_new(array, json);
    }
    return array;
}

static void add_note(const struct report *report, const struct measuring_note *note,
                     json_t *array) {
    json_t *json = json_object();
    json_object_set_new(json, "channel", channel_name(report, note->channel));
    json_object_set_new(json, "about", text(note->about));
    json_object_set_new(json, "serious", json_boolean(note->serious));
    json_object_set_new(json, "text", text(note->text));
    json_array_append_new(array, json);
}

static json_t *measuring_json(const struct report *report) {
    const struct hookup *hookup = playback_head(report->playback)->hookup;
    struct measuring_note note;
    json_t *array = json_array();
    for (size_t i = 0; i < hookup->vehicle.channel_count; i++)
        if (measuring_reference(hookup, report->analysis, i, &note))
            add_note(report, &note, array);
    for (size_t i = 0; i < hookup->vehicle.channel_count; i++)
        if (report_speed(report, i, &note))
            add_note(report, &note, array);
    for (size_t i = 0; i < hookup->vehicle.sensor_count; i++)
        if (measuring_loading(&hookup->vehicle, i, &note))
            add_note(report, &note, array);
    if (measuring_cylinders(&hookup->vehicle, report->analysis, &note))
        add_note(report, &note, array);
    return array;
}

static json_t *checks_json(const struct report *report) {
    json_t *array = json_array();
    for (size_t i = 0; i < report->analysis->check_count; i++) {
        const struct analysis_check *check = &report->analysis->checks[i];
        json_t *json = json_object();
        json_object_set_new(json, "check", text(check->name));
        json_object_set_new(json, "channel", channel_name(report, check->channel));
        json_object_set_new(json, "sensor", sensor_name(report, check->sensor));
        json_object_set_new(json, "attempt",
                            check->attempt ? json_integer(check->attempt) : json_null());
        json_object_set_new(json, "phase", text(phase_name(check->phase)));
        json_object_set_new(json, "measured", number(check->measured));
        json_object_set_new(json, "limit_low", number(check->limit_low));
        json_object_set_new(json, "limit_high", number(check->limit_high));
        json_object_set_new(json, "unit", text(check->unit));
        json_object_set_new(json, "source", text(check->source));
        json_object_set_new(json, "result", text(check_result_name(check->result)));
        json_object_set_new(json, "why", text(check->why));
        json_array_append_new(array, json);
    }
    return array;
}

static json_t *findings_json(const struct report *report) {
    json_t *array = json_array();
    for (size_t i = 0; i < report->analysis->finding_count; i++) {
        const struct analysis_finding *finding = &report->analysis->findings[i];
        json_t *json = json_object();
        json_object_set_new(json, "fault", text(fault_name(finding->fault)));
        json_object_set_new(json, "circuit", text(fault_circuit(finding->fault)));
        json_object_set_new(json, "channel", channel_name(report, finding->channel));
        json_object_set_new(json, "sensor", sensor_name(report, finding->sensor));
        json_object_set_new(json, "attempt",
                            finding->attempt ? json_integer(finding->attempt) : json_null());
        json_object_set_new(json, "from_s", number(finding->from_s));
        json_object_set_new(json, "from_until_s", number(finding->from_until_s));
        json_object_set_new(json, "to_s", number(finding->to_s));
        json_object_set_new(json, "extreme", number(finding->extreme));
        json_object_set_new(json, "unit", text(finding->unit));
        json_object_set_new(json, "text", text(finding->text));
        json_array_append_new(array, json);
    }
    return array;
}

static json_t *attempt_number(unsigned attempt) {
    return attempt ? json_integer(attempt) : json_null();
}

static json_t *wheels_json(const struct report *report) {
    json_t *array = json_array();
    for (size_t i = 0; i < report->analysis->wheel_count; i++) {
        const struct analysis_wheel *wheel = &report->analysis->wheels[i];
        json_t *degrees = json_array();
        for (size_t place = 0; place < wheel->edges; place++)
            json_array_append_new(degrees, number(wheel->degrees[place]));
        json_t *json = json_object();
        json_object_set_new(json, "sensor", sensor_name(report, wheel->sensor));
        json_object_set_new(json, "attempt", attempt_number(wheel->attempt));
        json_object_set_new(json, "phase", text(phase_name(wheel->phase)));
        json_object_set_new(json, "edge", text(wheel->rises ? "rising" : "falling"));
        json_object_set_new(json, "marked", json_boolean(wheel->marked));
        json_object_set_new(json, "turns", json_integer((json_int_t)wheel->turns));
        json_object_set_new(json, "degrees", degrees);
        json_object_set_new(json, "scatter", number(wheel->scatter));
        json_array_append_new(array, json);
    }
    return array;
}

static json_t *cam_edges_json(const struct analysis_cam *cam) {
    json_t *array = json_array();
    for (size_t i = 0; i < cam->edge_count; i++) {
        const struct analysis_cam_edge *edge = &cam->edges[i];
        json_t *json = json_object();
        json_object_set_new(json, "edge", text(edge->rises ? "rising" : "falling"));
        json_object_set_new(json, "degrees", number(edge->degrees));
        json_object_set_new(json, "scatter", number(edge->scatter));
        json_object_set_new(json, "seen", json_integer((json_int_t)edge->seen));
        json_array_append_new(array, json);
    }
    return array;
}

static json_t *cams_json(const struct report *report) {
    json_t *array = json_array();
    for (size_t i = 0; i < report->analysis->cam_count; i++) {
        const struct analysis_cam *cam = &report->analysis->cams[i];
        json_t *json = json_object();
        json_object_set_new(json, "crank", sensor_name(report, cam->crank));
        json_object_set_new(json, "cam", sensor_name(report, cam->cam));
        json_object_set_new(json, "attempt", attempt_number(cam->attempt));
        json_object_set_new(json, "phase", text(phase_name(cam->phase)));
        json_object_set_new(json, "edges", cam_edges_json(cam));
        json_array_append_new(array, json);
    }
    return array;
}

static json_t *losses_json(const struct report *report) {
    const struct record_loss *losses = NULL;
    size_t count = report->record->losses(report->record->context, &losses);
    const struct head *head = playback_head(report->playback);
    json_t *array = json_array();
    for (size_t i = 0; i < count; i++) {
        if (report_is_pause(&losses[i]))
            continue;
        json_t *json = json_object();
        const char *board =
            losses[i].stream < head->stream_count ? head->streams[losses[i].stream].name : NULL;
        json_object_set_new(json, "board", text(board));
        json_object_set_new(json, "from_s", number(losses[i].from_s));
        json_object_set_new(json, "to_s", number(losses[i].to_s));
        json_object_set_new(json, "scans",
                            losses[i].scans == RECORD_LOSS_UNKNOWN
                                ? json_null()
                                : json_integer((json_int_t)losses[i].scans));
        json_object_set_new(json, "reason", text(losses[i].reason));
        json_array_append_new(array, json);
    }
    return array;
}

/* What burst boards pass over by design. */
static json_t *pauses_json(const struct report *report) {
    const struct record_loss *losses = NULL;
    size_t count = report->record->losses(report->record->context, &losses);
    const struct head *head = playback_head(report->playback);
    json_t *array = json_array();
    for (size_t stream = 0; stream < head->stream_count; stream++) {
        struct report_pauses pauses;
        report_pauses(losses, count, stream, &pauses);
        if (pauses.count == 0)
            continue;
        json_t *json = json_object();
        json_object_set_new(json, "board", text(head->streams[stream].name));
        json_object_set_new(json, "count", json_integer((json_int_t)pauses.count));
        json_object_set_new(json, "seconds", number(pauses.seconds));
        json_array_append_new(array, json);
    }
    return array;
}

static json_t *wall_text(double wall_s) {
    time_t seconds = (time_t)wall_s;
    struct tm local;
    char out[40];
    if (wall_s <= 0 || !localtime_r(&seconds, &local) ||
        !strftime(out, sizeof out, "%Y-%m-%dT%H:%M:%S%z", &local))
        return json_null();
    return json_string(out);
}

char *report_json(const struct report *report) {
    double wall_s = (double)playback_wall_ns(report->playback) * 1e-9;
    const struct analysis *analysis = report->analysis;
    json_t *json = json_object();
    json_object_set_new(json, "schema", json_string("cranktrap.report/1"));
    json_object_set_new(json, "software", json_string("cranktrap " CRANKTRAP_VERSION));
    json_object_set_new(json, "file", text(report->path));
    json_object_set_new(json, "vehicle", text(report->vehicle->name));
    json_object_set_new(json, "complaint", text(report->vehicle->complaint));
    json_object_set_new(json, "wall", wall_text(wall_s));
    json_object_set_new(json, "wall_s", wall_s > 0 ? json_real(wall_s) : json_null());
    json_object_set_new(json, "elapsed_s",
                        json_real((double)playback_elapsed_ns(report->playback) * 1e-9));
    json_object_set_new(json, "duration_s",
                        json_real(report->record->to_s - report->record->from_s));
    json_object_set_new(json, "channels", channels_json(report));
    json_object_set_new(json, "phases", phases_json(report));
    json_object_set_new(json, "attempts", attempts_json(report));
    json_object_set_new(json, "checks", checks_json(report));
    json_object_set_new(json, "findings", findings_json(report));
    json_object_set_new(json, "wheels", wheels_json(report));
    json_object_set_new(json, "cams", cams_json(report));
    json_object_set_new(json, "measuring", measuring_json(report));
    double apart_s = playback_apart_s(report->playback);
    json_object_set_new(json, "boards_apart_s", apart_s > 0 ? json_real(apart_s) : json_null());
    json_object_set_new(json, "losses", losses_json(report));
    json_object_set_new(json, "pauses", pauses_json(report));
    json_object_set_new(json, "attempt",
                        analysis->verdict_attempt ? json_integer(analysis->verdict_attempt)
                                                  : json_null());
    json_object_set_new(json, "verdict", verdict_json(report, &analysis->verdict));
    char *out = json_dumps(json, JSON_COMPACT | JSON_REAL_PRECISION(12));
    json_decref(json);
    return out;
}
