// SPDX-License-Identifier: Apache-2.0
/*
 * bench.c - samples as JSON; a point judged, stored and used.
 */
#include "bench.h"

#include "calibration_json.h"
#include "calibration_store.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

size_t bench_channel(const struct serve_parts *parts, const char *name) {
    return name ? vehicle_channel_by_name(&parts->hookup->vehicle, name) : CHANNEL_NONE;
}

__attribute__((format(printf, 3, 4))) static int refuse(char *why, size_t size, const char *format,
                                                        ...) {
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(why, size, format, arguments);
    va_end(arguments);
    return -EPERM;
}

/* ---- samples ---- */

static json_t *scale_json(const struct scale *scale) {
    json_t *counts = json_array(), *values = json_array();
    for (size_t i = 0; i < scale->points; i++) {
        json_array_append_new(counts, json_real(scale->counts[i]));
        json_array_append_new(values, json_real(scale->values[i]));
    }
    return json_pack("{s:o, s:o}", "counts", counts, "values", values);
}

static json_t *channel_samples(const struct serve_parts *parts, const struct watch_capture *capture,
                               const struct board_description *description, size_t index) {
    const struct vehicle_channel *channel = &parts->hookup->vehicle.channels[index];
    json_t *counts = json_array();
    for (size_t i = 0; i < capture->scans; i++)
        json_array_append_new(counts,
                              json_integer(capture->counts[channel->input * capture->scans + i]));
    intake_hold_hookup(parts->intake);
    bool rails = channel->rail_low <= channel->rail_high;
    json_t *json =
        json_pack("{s:s, s:s, s:s, s:I, s:i, s:o, s:o, s:o, s:o}", "channel", channel->name, "role",
                  role_name(channel->role), "unit", channel->unit, "input",
                  (json_int_t)channel->input, "bits", (int)description->bits[channel->input],
                  "rail_low", rails ? json_integer(channel->rail_low) : json_null(), "rail_high",
                  rails ? json_integer(channel->rail_high) : json_null(), "scale",
                  scale_json(&channel->scale), "counts", counts);
    intake_release_hookup(parts->intake);
    return json;
}

json_t *bench_samples(const struct serve_parts *parts, const struct watch_capture *capture,
                      size_t channel) {
    const struct vehicle *vehicle = &parts->hookup->vehicle;
    struct board_description description = {0};
    (void)intake_description(parts->intake, capture->board, &description);
    json_t *channels = json_array();
    for (size_t i = 0; i < vehicle->channel_count; i++)
        if (vehicle->channels[i].stream == capture->board &&
            vehicle->channels[i].input < capture->inputs &&
            (channel == CHANNEL_NONE || i == channel))
            json_array_append_new(channels, channel_samples(parts, capture, &description, i));
    return json_pack("{s:s, s:s, s:f, s:I, s:o}", "schema", "cranktrap.samples/1", "board",
                     parts->hookup->boards[capture->board].name, "period_s", capture->period_s,
                     "scans", (json_int_t)capture->scans, "channels", channels);
}

/* ---- calibrations ---- */

/* Which board it is. 0, or -EPERM and why no calibration can be tied to it. */
static int board_key(const struct serve_parts *parts, size_t board, char key[CALIBRATION_BOARD],
                     char *why, size_t size) {
    const struct hookup *hookup = parts->hookup;
    struct board_description description;
    if (!intake_description(parts->intake, board, &description))
        return refuse(why, size, "board %s has not been seen yet", hookup->boards[board].name);
    if (!hookup_board_key(&hookup->boards[board], &description, key))
        return refuse(why, size,
                      "board %s tells no name or serial number of its own, so that another board "
                      "on the same port would get its calibration. Name it in the hookup by its "
                      "link in /dev/serial/by-id (`cranktrap boards` lists it), or write two known "
                      "voltages as `points` into the channel",
                      hookup->boards[board].name);
    for (size_t i = 0; i < hookup->board_count; i++) {
        char other[CALIBRATION_BOARD];
        if (i != board && intake_description(parts->intake, i, &description) &&
            hookup_board_key(&hookup->boards[i], &description, other) && strcmp(other, key) == 0)
            return refuse(why, size,
                          "boards %s and %s both call themselves \"%s\": a calibration of one "
                          "would be taken for the other's. Give each a name of its own",
                          hookup->boards[board].name, hookup->boards[i].name, key);
    }
    return 0;
}

static bool get_number(const json_t *body, const char *key, double *number) {
    const json_t *value = json_object_get(body, key);
    *number = json_is_number(value) ? json_number_value(value) : (double)NAN;
    return isfinite(*number);
}

static bool get_reading(const json_t *body, struct calibration_reading *reading, double *known) {
    return get_number(body, "known", known) && get_number(body, "mean", &reading->mean) &&
           get_number(body, "rms", &reading->rms) && get_number(body, "drift", &reading->drift) &&
           get_number(body, "lowest", &reading->lowest) &&
           get_number(body, "highest", &reading->highest);
}

static json_t *answer_of(const struct serve_parts *parts, size_t channel,
                         const struct calibration *calibration) {
    char words[160] = "";
    if (calibration)
        calibration_words(calibration, words, sizeof words);
    return json_pack("{s:s, s:s, s:s, s:o}", "schema", "cranktrap.calibration/1", "channel",
                     parts->hookup->vehicle.channels[channel].name, "words", words, "calibration",
                     calibration ? calibration_to_json(calibration) : json_null());
}

/* Adds the point to what the store has of this input, unless that was made with another scale. */
static int add_point(const struct serve_parts *parts, const json_t *body, size_t index,
                     const char *key, struct calibration_store *store,
                     struct calibration *calibration, char *why, size_t size) {
    const struct vehicle_channel *channel = &parts->hookup->vehicle.channels[index];
    struct calibration_reading reading;
    double known;
    if (!get_reading(body, &reading, &known))
        return -EINVAL;
    intake_hold_hookup(parts->intake);
    const struct calibration_input input = {.nominal = *hookup_nominal_scale(parts->hookup, index),
                                            .rail_low = channel->rail_low,
                                            .rail_high = channel->rail_high};
    intake_release_hookup(parts->intake);
    const struct calibration *old = calibration_store_find(store, key, channel->input);
    *calibration = (struct calibration){.input = channel->input};
    if (old && calibration_fits(old, &input.nominal, channel->unit))
        *calibration = *old;
    snprintf(calibration->board, sizeof calibration->board, "%s", key);
    snprintf(calibration->unit, sizeof calibration->unit, "%s", channel->unit);
    int64_t wall_s = timebase_wall_ns(parts->timebase) / 1000000000;
    if (calibration_add(calibration, &input, &reading, known, wall_s, why, size) < 0)
        return -EPERM;
    return calibration_store_put(store, calibration);
}

static int change_store(const struct serve_parts *parts, const json_t *body, size_t channel,
                        const char *key, struct calibration_store *store, json_t **answer,
                        char *why, size_t size) {
    size_t input = parts->hookup->vehicle.channels[channel].input;
    bool forget = json_is_true(json_object_get(body, "forget"));
    struct calibration calibration;
    int result = 0;
    if (!forget)
        result = add_point(parts, body, channel, key, store, &calibration, why, size);
    else if (!calibration_store_remove(store, key, input))
        result = refuse(why, size, "there is no calibration of its input to forget");
    if (result == 0)
        result = calibration_store_write(store, parts->state_folder);
    if (result == 0)
        result = intake_calibrate(parts->intake, store->calibrations, store->count);
    if (result == 0)
        *answer = answer_of(parts, channel, forget ? NULL : &calibration);
    return result;
}

int bench_calibrate(const struct serve_parts *parts, const json_t *body, json_t **answer, char *why,
                    size_t size) {
    size_t channel = bench_channel(parts, json_string_value(json_object_get(body, "channel")));
    if (channel == CHANNEL_NONE)
        return -ENOENT;
    /* Other scales make the phases begin anew: not while they matter most. */
    if (watch_cranking(parts->watch))
        return refuse(why, size, "the starter is engaged: wait until it has let go");
    char key[CALIBRATION_BOARD];
    int result = board_key(parts, parts->hookup->vehicle.channels[channel].stream, key, why, size);
    if (result < 0)
        return result;
    struct calibration_store store = {0};
    result = calibration_store_read(parts->state_folder, &store);
    if (result == 0)
        result = change_store(parts, body, channel, key, &store, answer, why, size);
    calibration_store_clear(&store);
    return result;
}

json_t *bench_calibrations(const struct serve_parts *parts) {
    static const char *const states[] = {"none", "applied", "other-scale"};
    json_t *list = json_array();
    intake_hold_hookup(parts->intake);
    for (size_t i = 0; i < parts->hookup->vehicle.channel_count; i++) {
        const struct hookup_calibration *of = hookup_calibration(parts->hookup, i);
        char words[160] = "";
        if (of->state == CALIBRATION_NONE)
            continue;
        calibration_words(&of->calibration, words, sizeof words);
        json_array_append_new(list, json_pack("{s:s, s:s, s:s, s:o}", "channel",
                                              parts->hookup->vehicle.channels[i].name, "state",
                                              states[of->state], "words", words, "calibration",
                                              calibration_to_json(&of->calibration)));
    }
    intake_release_hookup(parts->intake);
    return list;
}
