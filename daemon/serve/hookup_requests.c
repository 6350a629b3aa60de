// SPDX-License-Identifier: Apache-2.0
/*
 * hookup_requests.c - what is on which lead, as the daemon goes by it.
 */
#include "handlers.h"

#include "hookup_copy.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static json_t *number(double value) {
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *text_or_null(const char *text) {
    return text ? json_string(text) : json_null();
}

static json_t *vehicle_json(const struct hookup *hookup) {
    const struct vehicle *vehicle = &hookup->vehicle;
    json_t *json = json_object();
    json_object_set_new(json, "name", text_or_null(vehicle->name));
    json_object_set_new(json, "complaint", text_or_null(vehicle->complaint));
    json_object_set_new(json, "job", text_or_null(hookup->job));
    json_object_set_new(json, "technician", text_or_null(hookup->technician));
    json_object_set_new(json, "shop", text_or_null(hookup->shop));
    json_object_set_new(json, "cylinders",
                        vehicle->cylinders ? json_integer(vehicle->cylinders) : json_null());
    json_object_set_new(json, "system_v", number(vehicle->system_volts));
    json_object_set_new(json, "ground", json_string(ground_point_name(vehicle->ground)));
    return json;
}

/* "0.00912 V a count, 0 V at 640"; a curve has more points than that can say. */
static void scale_words(const struct vehicle_channel *channel, char *text, size_t size) {
    const struct scale *scale = &channel->scale;
    if (scale->points != 2) {
        snprintf(text, size, "a curve through %zu points", scale->points);
        return;
    }
    double per_count =
        (scale->values[1] - scale->values[0]) / (scale->counts[1] - scale->counts[0]);
    double zero = scale->counts[0] - scale->values[0] / per_count;
    if (isfinite(per_count) && isfinite(zero))
        snprintf(text, size, "%.4g %s a count, 0 %s at %.4g", per_count, channel->unit,
                 channel->unit, zero);
    else
        snprintf(text, size, "not known before the board was seen");
}

static json_t *channel_json(const struct hookup *hookup, size_t index) {
    const struct vehicle_channel *channel = &hookup->vehicle.channels[index];
    char scale[120] = "not known before the board was seen";
    if (channel->scale.points >= 2)
        scale_words(channel, scale, sizeof scale);
    json_t *json = json_object();
    json_object_set_new(json, "name", json_string(channel->name));
    json_object_set_new(json, "role", json_string(role_name(channel->role)));
    json_object_set_new(json, "unit", json_string(channel->unit));
    json_object_set_new(json, "board", json_string(hookup->boards[channel->stream].name));
    json_object_set_new(json, "input", json_integer((json_int_t)channel->input));
    json_object_set_new(json, "nominal", number(channel->nominal));
    json_object_set_new(json, "nominal_battery", json_boolean(channel->nominal_is_battery));
    json_object_set_new(json, "measured_at",
                        channel->measured_at == PLACE_UNKNOWN
                            ? json_null()
                            : json_string(place_name(channel->measured_at)));
    json_object_set_new(json, "scale_text", json_string(scale));
    return json;
}

static json_t *lead_json(const struct hookup *hookup, size_t channel) {
    return channel == CHANNEL_NONE ? json_null()
                                   : json_string(hookup->vehicle.channels[channel].name);
}

static json_t *wheel_json(const struct wheel *wheel) {
    char text[40];
    if (wheel->places == 0)
        return json_string("learn");
    if (wheel->missing_again)
        snprintf(text, sizeof text, "%u-%u-%u", wheel->places, wheel->missing,
                 wheel->missing_again);
    else if (wheel->missing)
        snprintf(text, sizeof text, "%u-%u", wheel->places, wheel->missing);
    else
        snprintf(text, sizeof text, "%u", wheel->places);
    return json_string(text);
}

static json_t *sensor_json(const struct hookup *hookup, const struct vehicle_sensor *sensor) {
    json_t *json = json_object();
    json_object_set_new(json, "name", json_string(sensor->name));
    json_object_set_new(json, "kind", json_string(sensor_kind_name(sensor->kind)));
    json_object_set_new(json, "feed", lead_json(hookup, sensor->feed));
    json_object_set_new(json, "return", lead_json(hookup, sensor->ret));
    json_object_set_new(json, "signal", lead_json(hookup, sensor->signal));
    json_object_set_new(json, "shaft", json_string(shaft_name(sensor->shaft)));
    json_object_set_new(json, "wheel", wheel_json(&sensor->wheel));
    json_object_set_new(json, "pull_up",
                        sensor->pull_up_is_feed      ? json_string("feed")
                        : sensor->pull_up_is_battery ? json_string("battery")
                                                     : number(sensor->pull_up));
    return json;
}

/* "cranktrap.hookup-sheet/1". */
enum MHD_Result get_hookup(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    const struct hookup *hookup = serve->parts.hookup;
    char etag[24];
    char *text = hookup_copy_read(&serve->parts);
    if (!text)
        return MHD_NO;
    hookup_copy_etag(text, etag);
    json_t *channels = json_array();
    json_t *sensors = json_array();
    intake_hold_hookup(serve->parts.intake);
    for (size_t i = 0; i < hookup->vehicle.channel_count; i++)
        json_array_append_new(channels, channel_json(hookup, i));
    intake_release_hookup(serve->parts.intake);
    for (size_t i = 0; i < hookup->vehicle.sensor_count; i++)
        json_array_append_new(sensors, sensor_json(hookup, &hookup->vehicle.sensors[i]));
    json_t *json = json_pack(
        "{s:s, s:s, s:b, s:s, s:s, s:o, s:o, s:o}", "schema", "cranktrap.hookup-sheet/1", "path",
        serve->parts.hookup_path, "copy", (int)serve->parts.hookup_is_copy, "text", hookup->text,
        "etag", etag, "vehicle", vehicle_json(hookup), "channels", channels, "sensors", sensors);
    free(text);
    return send_json(request->connection, MHD_HTTP_OK, json);
}
