// SPDX-License-Identifier: Apache-2.0
/*
 * sheet_helper.c - drawing a record by hand, and reading it as the analysis does.
 */
#include "sheet_helper.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FULL_COUNTS 4095.0
#define PI          3.14159265358979323846

static void *allocate(size_t count, size_t size) {
    void *memory = calloc(count, size);
    if (memory == NULL) {
        fputs("no memory for the test's record\n", stderr);
        exit(2);
    }
    return memory;
}

struct sheet *sheet_new(double rate_hz, double from_s, double seconds, double system_volts) {
    struct sheet *sheet = allocate(1, sizeof *sheet);
    sheet->rate_hz = rate_hz;
    sheet->from_s = from_s;
    sheet->scans = (size_t)lround(seconds * rate_hz);
    sheet->run_scans = (size_t)fmax(1.0, rate_hz * 0.25);
    sheet->vehicle = (struct vehicle){
        .name = "parcel van, bay 2",
        .cylinders = 4,
        .system_volts = system_volts,
        .ground = GROUND_BATTERY_NEGATIVE,
        .temperature_c = (double)NAN,
        .channels = sheet->channels,
        .sensors = sheet->sensors,
    };
    return sheet;
}

void sheet_free(struct sheet *sheet) {
    if (sheet == NULL)
        return;
    for (size_t i = 0; i < SHEET_CHANNELS; i++) {
        free(sheet->values[i]);
        free(sheet->counts[i]);
    }
    free(sheet);
}

size_t sheet_channel(struct sheet *sheet, const char *name, enum role role, double lowest,
                     double full_scale) {
    size_t i = sheet->vehicle.channel_count++;
    if (i >= SHEET_CHANNELS) {
        fputs("too many leads in the test's record\n", stderr);
        exit(2);
    }
    sheet->channels[i] = (struct vehicle_channel){
        .name = name,
        .role = role,
        .unit = role == ROLE_STARTER_CURRENT ? "A" : "V",
        .scale = scale_line(full_scale / FULL_COUNTS, lowest),
        .nominal = role == ROLE_FEED ? 5.0 : (double)NAN,
        .tolerance = (double)NAN,
        .threshold = (double)NAN,
        .measured_at = PLACE_SENSOR,
        .input_ohms = (double)NAN,
        .rail_low = 0,
        .rail_high = (int32_t)FULL_COUNTS,
        .input = i,
    };
    sheet->values[i] = allocate(sheet->scans, sizeof(double));
    return i;
}

size_t sheet_sensor(struct sheet *sheet, const char *name, enum sensor_kind kind, size_t feed,
                    size_t ret, size_t signal) {
    size_t i = sheet->vehicle.sensor_count++;
    sheet->sensors[i] = (struct vehicle_sensor){
        .name = name,
        .kind = kind,
        .feed = feed,
        .ret = ret,
        .signal = signal,
        .pull_up = kind == SENSOR_HALL ? 5.0 : (double)NAN,
        .pull_up_ohms = (double)NAN,
    };
    return i;
}

size_t sheet_scan(const struct sheet *sheet, double at_s) {
    double scan = ceil((at_s - sheet->from_s) * sheet->rate_hz - 1e-6);
    if (scan <= 0.0)
        return 0;
    return scan >= (double)sheet->scans ? sheet->scans : (size_t)scan;
}

void sheet_ramp(struct sheet *sheet, size_t channel, double from_s, double to_s, double from,
                double to) {
    size_t end = sheet_scan(sheet, to_s);
    for (size_t i = sheet_scan(sheet, from_s); i < end; i++) {
        double at_s = sheet->from_s + (double)i / sheet->rate_hz;
        sheet->values[channel][i] = from + (to - from) * (at_s - from_s) / (to_s - from_s);
    }
}

void sheet_hold(struct sheet *sheet, size_t channel, double from_s, double to_s, double value) {
    sheet_ramp(sheet, channel, from_s, to_s, value, value);
}

void sheet_add_sine(struct sheet *sheet, size_t channel, double from_s, double to_s, double peak,
                    double hertz) {
    size_t end = sheet_scan(sheet, to_s);
    for (size_t i = sheet_scan(sheet, from_s); i < end; i++) {
        double at_s = sheet->from_s + (double)i / sheet->rate_hz;
        sheet->values[channel][i] += peak * sin(2.0 * PI * hertz * (at_s - from_s));
    }
}

double sheet_start(struct sheet *sheet, size_t channel, double at_s,
                   const struct start_profile *profile) {
    double t = at_s;
    sheet_ramp(sheet, channel, t, t + profile->fall_s, profile->rest, profile->lowest);
    t += profile->fall_s;
    sheet_hold(sheet, channel, t, t + profile->hold_s, profile->lowest);
    t += profile->hold_s;
    sheet_ramp(sheet, channel, t, t + profile->ramp_s, profile->lowest, profile->plateau);
    t += profile->ramp_s;
    sheet_hold(sheet, channel, t, t + profile->plateau_s, profile->plateau);
    sheet_add_sine(sheet, channel, t, t + profile->plateau_s, profile->ripple_peak, 2.0);
    t += profile->plateau_s;
    sheet_ramp(sheet, channel, t, t + profile->rise_s, profile->plateau, profile->rest);
    return t;
}

void sheet_wheel(struct sheet *sheet, size_t channel, double from_s, double to_s, unsigned places,
                 unsigned missing, double rpm, double low, double high) {
    size_t end = sheet_scan(sheet, to_s);
    for (size_t i = sheet_scan(sheet, from_s); i < end; i++) {
        double at_s = sheet->from_s + (double)i / sheet->rate_hz;
        double place = fmod((at_s - from_s) * rpm / 60.0, 1.0) * places;
        bool tooth = place < (double)(places - missing) && fmod(place, 1.0) < 0.5;
        sheet->values[channel][i] = tooth ? low : high;
    }
}

void sheet_lose(struct sheet *sheet, double from_s, double to_s) {
    struct record_loss *loss = &sheet->losses[sheet->loss_count++];
    size_t first = sheet_scan(sheet, from_s);
    size_t end = sheet_scan(sheet, to_s);
    *loss = (struct record_loss){
        .from_s = sheet->from_s + ((double)first - 1.0) / sheet->rate_hz,
        .to_s = sheet->from_s + (double)end / sheet->rate_hz,
        .scans = end - first,
        .reason = "packets lost",
    };
}

double sheet_random(uint64_t *state) {
    double sum = 0.0;
    for (int i = 0; i < 12; i++) { /* twelve uniform ones: variance 1 */
        *state = *state * 6364136223846793005ULL + 1442695040888963407ULL;
        sum += (double)(*state >> 11) * 0x1p-53;
    }
    return sum - 6.0;
}

static void make_counts(struct sheet *sheet, size_t channel) {
    const struct vehicle_channel *of = &sheet->channels[channel];
    uint64_t state = 1000 + channel;
    free(sheet->counts[channel]);
    sheet->counts[channel] = allocate(sheet->scans, sizeof(int32_t));
    for (size_t i = 0; i < sheet->scans; i++) {
        double value = sheet->values[channel][i];
        if (sheet->noise[channel] > 0.0)
            value += sheet->noise[channel] * sheet_random(&state);
        double counts = round(scale_counts(&of->scale, value));
        counts = fmax(0.0, fmin(FULL_COUNTS, counts));
        sheet->counts[channel][i] = (int32_t)counts;
    }
}

/* The loss that holds scan `scan`, or NULL; `*end` is the first scan behind it. */
static const struct record_loss *loss_at(const struct sheet *sheet, size_t scan, size_t *end) {
    double at_s = sheet->from_s + (double)scan / sheet->rate_hz;
    for (size_t i = 0; i < sheet->loss_count; i++) {
        const struct record_loss *loss = &sheet->losses[i];
        if (at_s > loss->from_s + 1e-9 && at_s < loss->to_s - 1e-9) {
            *end = sheet_scan(sheet, loss->to_s);
            return loss;
        }
    }
    return NULL;
}

static int seek(void *context, double from_s) {
    struct sheet *sheet = context;
    size_t scan = from_s <= sheet->from_s ? 0 : sheet_scan(sheet, from_s);
    sheet->next_scan = scan / sheet->run_scans * sheet->run_scans;
    sheet->passes++;
    return 0;
}

static int next(void *context, struct record_run *run) {
    struct sheet *sheet = context;
    size_t begin = sheet->next_scan;
    size_t end;
    bool lost = begin > 0 && loss_at(sheet, begin - 1, &end) != NULL;
    while (begin < sheet->scans && loss_at(sheet, begin, &end) != NULL) {
        begin = end;
        lost = true;
    }
    if (begin >= sheet->scans)
        return 0;
    if (sheet->fail_after > 0 && --sheet->fail_after == 0)
        return -EIO;
    size_t after = begin + 1;
    while (after < sheet->scans && after % sheet->run_scans != 0 &&
           loss_at(sheet, after, &end) == NULL)
        after++;
    for (size_t i = 0; i < sheet->vehicle.channel_count; i++)
        sheet->pointers[i] = sheet->counts[i] + begin;
    *run = (struct record_run){
        .inputs = sheet->vehicle.channel_count,
        .scans = after - begin,
        .time_s = sheet->from_s + (double)begin / sheet->rate_hz,
        .period_s = 1.0 / sheet->rate_hz,
        .after_loss = lost,
        .counts = sheet->pointers,
    };
    sheet->next_scan = after;
    return 1;
}

static size_t losses(void *context, const struct record_loss **list) {
    struct sheet *sheet = context;
    *list = sheet->losses;
    return sheet->loss_count;
}

struct record sheet_record(struct sheet *sheet) {
    for (size_t i = 0; i < sheet->vehicle.channel_count; i++)
        make_counts(sheet, i);
    sheet->next_scan = 0;
    return (struct record){
        .context = sheet,
        .vehicle = &sheet->vehicle,
        .from_s = sheet->from_s,
        .to_s = sheet->from_s + (double)sheet->scans / sheet->rate_hz,
        .seek = seek,
        .next = next,
        .losses = losses,
    };
}
