// SPDX-License-Identifier: Apache-2.0
/*
 * yard_helper.c - drawing the leads of a vehicle and noting what watch says.
 */
#include "yard_helper.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PI 3.14159265358979323846

/*
 * ISO 16750-2:2003, 4.5.3 starting profile, level I, 12 V, read at second hand: falls to 8 V
 * in 5 ms, 15 ms there, 50 ms up to a plateau of 10.5 V mean with 2 V peak to peak at 2 Hz, and
 * back within 40 ms.
 */
static double battery_at(const struct yard *yard, double at_s) {
    double t = at_s - yard->engaged_s;
    if (yard->engaged && t >= 0.0) {
        if (t < 0.005)
            return yard->rest + (8.0 - yard->rest) * t / 0.005;
        if (t < 0.020)
            return 8.0;
        if (t < 0.070)
            return 8.0 + 2.5 * (t - 0.020) / 0.050;
        return 10.5 + sin(2.0 * PI * 2.0 * (t - 0.070));
    }
    t = at_s - yard->released_s;
    return t < 0.040 ? 10.5 + (yard->rest - 10.5) * t / 0.040 : yard->rest;
}

static double lead_at(const struct yard *yard, size_t lead, double at_s) {
    if (yard->leads[lead].role == ROLE_BATTERY || yard->follows[lead])
        return battery_at(yard, at_s);
    if (yard->hertz[lead] > 0.0)
        return fmod(at_s * yard->hertz[lead], 1.0) < yard->duty[lead] ? 0.04 : 4.98;
    return yard->volts[lead];
}

static void note(struct yard *yard, const char *trigger, const char *text,
                 const struct watch_mark *mark) {
    if (yard->note_count == YARD_NOTES) {
        fputs("too many notes\n", stderr);
        exit(2);
    }
    struct yard_note *made = &yard->notes[yard->note_count++];
    snprintf(made->trigger, sizeof made->trigger, "%s", trigger);
    snprintf(made->text, sizeof made->text, "%s", text);
    made->mark = *mark;
    made->at_s = (double)mark->elapsed_ns * 1e-9;
    made->said_s = yard->now_s;
}

static void on_cranking(void *context, bool engaged, int64_t elapsed_ns) {
    struct watch_mark mark = {.begins = engaged, .elapsed_ns = elapsed_ns};
    note(context, "", "", &mark);
}

static void on_mark(void *context, const struct watch_mark *mark) {
    struct yard *yard = context;
    (void)watch_phase(yard->watch); /* a sink may ask back */
    note(yard, mark->trigger, mark->text, mark);
}

void yard_open(struct yard *yard) {
    *yard = (struct yard){.rate_hz = 2000.0,
                          .run_scans = 40,
                          .now_s = 1000.0,
                          .rest = 12.6,
                          .released_s = -(double)INFINITY,
                          .board = {.name = "logger"}};
    yard->hookup =
        (struct hookup){.vehicle = {.name = "parcel van, bay 2",
                                    .cylinders = 4,
                                    .system_volts = 12.0,
                                    .temperature_c = (double)NAN,
                                    .channels = yard->leads,
                                    .sensors = yard->sensors},
                        .limits = limits_default(12.0),
                        .board_count = 1,
                        .boards = &yard->board,
                        .triggers = yard->triggers,
                        .storage = {.before_s = 20.0, .after_s = 20.0, .budget_s = 300.0}};
}

void yard_close(struct yard *yard) {
    watch_free(yard->watch);
    yard->watch = NULL;
}

size_t yard_lead(struct yard *yard, const char *name, enum role role, double volts) {
    size_t i = yard->hookup.vehicle.channel_count++;
    if (i >= YARD_LEADS) {
        fputs("too many leads\n", stderr);
        exit(2);
    }
    yard->leads[i] = (struct vehicle_channel){.name = name,
                                              .role = role,
                                              .unit = "V",
                                              .scale = scale_line(20.0 / 4095.0, 0.0),
                                              .nominal = role == ROLE_FEED ? 5.0 : (double)NAN,
                                              .tolerance = (double)NAN,
                                              .threshold = (double)NAN,
                                              .input_ohms = (double)NAN,
                                              .rail_high = 4095,
                                              .input = i};
    yard->volts[i] = volts;
    yard->duty[i] = 0.5;
    return i;
}

size_t yard_sensor(struct yard *yard, const char *name, enum shaft shaft) {
    size_t lead = yard_lead(yard, name, ROLE_SIGNAL, 4.98);
    yard->sensors[yard->hookup.vehicle.sensor_count++] =
        (struct vehicle_sensor){.name = name,
                                .kind = SENSOR_HALL,
                                .feed = CHANNEL_NONE,
                                .ret = CHANNEL_NONE,
                                .signal = lead,
                                .pull_up = 5.0,
                                .pull_up_ohms = (double)NAN,
                                .shaft = shaft};
    return lead;
}

struct hookup_trigger *yard_trigger(struct yard *yard, const char *name, size_t lead) {
    struct hookup_trigger *trigger = &yard->triggers[yard->hookup.trigger_count++];
    *trigger = (struct hookup_trigger){
        .name = name, .channel = lead, .before_s = 5.0, .after_s = 10.0, .budget_s = 300.0};
    return trigger;
}

void yard_watch(struct yard *yard) {
    const struct watch_sinks sinks = {yard, on_cranking, on_mark};
    if (watch_new(&yard->hookup, &sinks, &yard->watch) < 0 || watch_fitted(yard->watch, 0) < 0) {
        fputs("no watch\n", stderr);
        exit(2);
    }
}

void yard_pass(struct yard *yard, double seconds) {
    static int32_t counts[YARD_LEADS][1024];
    const int32_t *inputs[YARD_LEADS];
    size_t left = (size_t)lround(seconds * yard->rate_hz);
    while (left > 0) {
        size_t scans = left < yard->run_scans ? left : yard->run_scans;
        for (size_t lead = 0; lead < yard->hookup.vehicle.channel_count; lead++) {
            inputs[lead] = counts[lead];
            for (size_t i = 0; i < scans; i++) {
                double at_s = yard->now_s + (double)i / yard->rate_hz;
                double value = scale_counts(&yard->leads[lead].scale, lead_at(yard, lead, at_s));
                counts[lead][i] = (int32_t)lround(value);
            }
        }
        struct record_run run = {.inputs = yard->hookup.vehicle.channel_count,
                                 .scans = scans,
                                 .time_s = yard->now_s,
                                 .period_s = 1.0 / yard->rate_hz,
                                 .after_loss = yard->lost,
                                 .counts = inputs};
        yard->lost = false;
        yard->now_s += (double)scans / yard->rate_hz;
        watch_run(yard->watch, &run);
        left -= scans;
    }
}

void yard_engage(struct yard *yard) {
    yard->engaged = true;
    yard->engaged_s = yard->now_s;
}

void yard_release(struct yard *yard) {
    yard->engaged = false;
    yard->released_s = yard->now_s;
}

const struct yard_note *yard_note(const struct yard *yard, const char *trigger, size_t n) {
    for (size_t i = 0; i < yard->note_count; i++) {
        if (strcmp(yard->notes[i].trigger, trigger) == 0 && n-- == 0)
            return &yard->notes[i];
    }
    return NULL;
}

size_t yard_count(const struct yard *yard, const char *trigger) {
    size_t count = 0;
    for (size_t i = 0; i < yard->note_count; i++)
        count += strcmp(yard->notes[i].trigger, trigger) == 0;
    return count;
}
