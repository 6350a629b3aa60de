// SPDX-License-Identifier: Apache-2.0
/*
 * vehicle.c - names of roles, places and kinds; scales; the look-ups that every user shares.
 */
#include "vehicle.h"

#include <errno.h>
#include <math.h>
#include <string.h>

static const char *const role_names[ROLE_COUNT] = {
    [ROLE_BATTERY] = "battery",
    [ROLE_FEED] = "feed",
    [ROLE_RETURN] = "return",
    [ROLE_SIGNAL] = "signal",
    [ROLE_STARTER_CURRENT] = "starter-current",
    [ROLE_SUPPLY] = "supply",
    [ROLE_GROUND] = "ground",
    [ROLE_IGNITION] = "ignition",
    [ROLE_START_REQUEST] = "start-request",
    [ROLE_COMMAND] = "command",
    [ROLE_REFERENCE] = "reference",
    [ROLE_SWITCH] = "switch",
    [ROLE_OTHER] = "other",
};

static const char *const place_names[] = {
    [PLACE_UNKNOWN] = "unknown", [PLACE_SENSOR] = "sensor", [PLACE_ECU] = "ecu",
    [PLACE_SPLICE] = "splice",   [PLACE_ENGINE] = "engine", [PLACE_BATTERY] = "battery",
};

static const char *const ground_names[] = {
    [GROUND_BATTERY_NEGATIVE] = "battery-negative",
    [GROUND_ENGINE] = "engine",
    [GROUND_BODY] = "body",
    [GROUND_ECU] = "ecu",
};

static const char *const kind_names[] = {
    [SENSOR_HALL] = "hall",
    [SENSOR_INDUCTIVE] = "inductive",
};

static const char *const shaft_names[] = {
    [SHAFT_CRANK] = "crank",
    [SHAFT_CAM] = "cam",
};

#define LENGTH(array) (sizeof(array) / sizeof((array)[0]))

/* Position of `name` in a table of names, or -EINVAL. */
static int name_index(const char *const *names, size_t count, const char *name) {
    for (size_t i = 0; i < count; i++) {
        if (strcmp(names[i], name) == 0)
            return (int)i;
    }
    return -EINVAL;
}

static const char *name_at(const char *const *names, size_t count, unsigned index,
                           const char *otherwise) {
    return index < count ? names[index] : otherwise;
}

const char *role_name(enum role role) {
    return name_at(role_names, LENGTH(role_names), role, "other");
}

int role_from_name(const char *name, enum role *role) {
    int index = name_index(role_names, LENGTH(role_names), name);
    if (index < 0)
        return index;
    *role = (enum role)index;
    return 0;
}

const char *place_name(enum place place) {
    return name_at(place_names, LENGTH(place_names), place, "unknown");
}

int place_from_name(const char *name, enum place *place) {
    int index = name_index(place_names, LENGTH(place_names), name);
    if (index < 0)
        return index;
    *place = (enum place)index;
    return 0;
}

const char *ground_point_name(enum ground_point point) {
    return name_at(ground_names, LENGTH(ground_names), point, "battery-negative");
}

int ground_point_from_name(const char *name, enum ground_point *point) {
    int index = name_index(ground_names, LENGTH(ground_names), name);
    if (index < 0)
        return index;
    *point = (enum ground_point)index;
    return 0;
}

const char *sensor_kind_name(enum sensor_kind kind) {
    return name_at(kind_names, LENGTH(kind_names), kind, "hall");
}

int sensor_kind_from_name(const char *name, enum sensor_kind *kind) {
    int index = name_index(kind_names, LENGTH(kind_names), name);
    if (index < 0)
        return index;
    *kind = (enum sensor_kind)index;
    return 0;
}

const char *shaft_name(enum shaft shaft) {
    return name_at(shaft_names, LENGTH(shaft_names), shaft, "crank");
}

int shaft_from_name(const char *name, enum shaft *shaft) {
    int index = name_index(shaft_names, LENGTH(shaft_names), name);
    if (index < 0)
        return index;
    *shaft = (enum shaft)index;
    return 0;
}

struct scale scale_line(double per_count, double offset) {
    return (struct scale){
        .points = 2,
        .counts = {0.0, 1.0},
        .values = {offset, offset + per_count},
    };
}

/* Straight line through points `i` and `i + 1` of one list, read at `x` of the other. */
static double piece(const double *from, const double *to, size_t i, double x) {
    double width = from[i + 1] - from[i];
    if (width == 0.0)
        return to[i];
    return to[i] + (x - from[i]) * ((to[i + 1] - to[i]) / width);
}

double scale_value(const struct scale *scale, double counts) {
    size_t i = 0;
    while (i + 2 < scale->points && counts > scale->counts[i + 1])
        i++;
    return piece(scale->counts, scale->values, i, counts);
}

double scale_counts(const struct scale *scale, double value) {
    bool falls = scale->values[scale->points - 1] < scale->values[0];
    size_t i = 0;
    while (i + 2 < scale->points &&
           (falls ? value < scale->values[i + 1] : value > scale->values[i + 1]))
        i++;
    return piece(scale->values, scale->counts, i, value);
}

#define WHEEL_MOST_PLACES 1000U

/* Reads a decimal of at most four digits; NULL where there is none. */
static const char *read_number(const char *text, unsigned *number) {
    unsigned value = 0;
    int digits = 0;
    for (; *text >= '0' && *text <= '9'; text++) {
        if (++digits > 4)
            return NULL;
        value = value * 10U + (unsigned)(*text - '0');
    }
    if (digits == 0)
        return NULL;
    *number = value;
    return text;
}

int wheel_from_text(const char *text, struct wheel *wheel) {
    unsigned part[3] = {0, 0, 0};
    if (strcmp(text, "learn") == 0) {
        *wheel = (struct wheel){0, 0, 0};
        return 0;
    }
    for (size_t i = 0; i < 3; i++) {
        text = read_number(text, &part[i]);
        if (text == NULL || part[i] == 0)
            return -EINVAL;
        if (*text == '\0')
            break;
        if (*text++ != '-')
            return -EINVAL;
        if (i == 2)
            return -EINVAL;
    }
    if (part[0] > WHEEL_MOST_PLACES || part[1] + part[2] >= part[0])
        return -EINVAL;
    *wheel = (struct wheel){part[0], part[1], part[2]};
    return 0;
}

size_t vehicle_channel_by_role(const struct vehicle *vehicle, enum role role) {
    for (size_t i = 0; i < vehicle->channel_count; i++) {
        if (vehicle->channels[i].role == role)
            return i;
    }
    return CHANNEL_NONE;
}

size_t vehicle_channel_by_name(const struct vehicle *vehicle, const char *name) {
    for (size_t i = 0; i < vehicle->channel_count; i++) {
        if (strcmp(vehicle->channels[i].name, name) == 0)
            return i;
    }
    return CHANNEL_NONE;
}

size_t vehicle_sensor_of_channel(const struct vehicle *vehicle, size_t channel) {
    for (size_t i = 0; i < vehicle->sensor_count && channel != CHANNEL_NONE; i++) {
        const struct vehicle_sensor *sensor = &vehicle->sensors[i];
        if (sensor->feed == channel || sensor->ret == channel || sensor->signal == channel)
            return i;
    }
    return CHANNEL_NONE;
}

double vehicle_pull_up_share(const struct vehicle *vehicle, const struct vehicle_sensor *sensor) {
    double input =
        sensor->signal == CHANNEL_NONE ? (double)NAN : vehicle->channels[sensor->signal].input_ohms;
    double share = input / (sensor->pull_up_ohms + input);
    return isnan(share) ? 1.0 : share;
}
