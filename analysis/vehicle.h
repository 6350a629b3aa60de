// SPDX-License-Identifier: Apache-2.0
/*
 * vehicle.h - what of the vehicle a record shows: channels, their roles and scales, sensors.
 *
 * Plain data, filled by whoever knows the hookup (daemon/hookup, or a test) and only read here.
 * Strings and arrays belong to the filler and must outlive every user of the struct.
 */
#ifndef CRANKTRAP_VEHICLE_H
#define CRANKTRAP_VEHICLE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* What a lead is on. The names printed and read are those of role_name(). */
enum role {
    ROLE_BATTERY,
    ROLE_FEED,
    ROLE_RETURN,
    ROLE_SIGNAL,
    ROLE_STARTER_CURRENT,
    ROLE_SUPPLY,
    ROLE_GROUND,
    ROLE_IGNITION,
    ROLE_START_REQUEST,
    ROLE_COMMAND,
    ROLE_REFERENCE,
    ROLE_SWITCH,
    ROLE_OTHER,
    ROLE_COUNT
};

/* "battery", "starter-current", ... as in a hookup file; never NULL ("other" for a bad value). */
const char *role_name(enum role role);

/* The role of that name, or -EINVAL (`*role` is then untouched). */
int role_from_name(const char *name, enum role *role);

/* Where on the circuit the probe sits: a verdict speaks of that place only. */
enum place { PLACE_UNKNOWN, PLACE_SENSOR, PLACE_ECU, PLACE_SPLICE, PLACE_ENGINE, PLACE_BATTERY };
const char *place_name(enum place place);
int place_from_name(const char *name, enum place *place);

/* Where the board's ground lead is clipped: absolute levels hold against that point only. */
enum ground_point { GROUND_BATTERY_NEGATIVE, GROUND_ENGINE, GROUND_BODY, GROUND_ECU };
const char *ground_point_name(enum ground_point point);
int ground_point_from_name(const char *name, enum ground_point *point);

/*
 * Counts to a unit: a piecewise linear curve through 2..SCALE_POINTS points with strictly rising
 * counts; the outer pieces go on beyond the ends. Two points are a straight line.
 */
#define SCALE_POINTS 8
struct scale {
    size_t points;
    double counts[SCALE_POINTS];
    double values[SCALE_POINTS];
};

/* The straight line value = per_count * counts + offset. */
struct scale scale_line(double per_count, double offset);

/* Value of `counts` in the channel's unit. */
double scale_value(const struct scale *scale, double counts);

/*
 * Counts of `value`: the inverse of scale_value, for limits held as raw counts. Only for curves
 * whose values rise or fall strictly; a flat piece gives its left end.
 */
double scale_counts(const struct scale *scale, double value);

struct vehicle_channel {
    const char *name;
    enum role role;
    const char *unit;        /* "V", "A" */
    struct scale scale;      /* counts -> unit */
    double nominal;          /* volts; NAN where none was given */
    bool nominal_is_battery; /* the feed follows the battery by design */
    double tolerance;        /* volts around nominal; NAN: the limit table decides */
    double threshold;        /* volts, for switch-like roles; NAN: none */
    enum place measured_at;
    double skew_s;     /* sampled this much later than the scan's own time */
    double delay_s;    /* the front end's lag: the event was this much earlier */
    double input_ohms; /* NAN: unknown */
    int32_t rail_low;  /* lowest and highest count the input can give: there, the */
    int32_t rail_high; /*   value is "at or beyond" only; rail_low > rail_high: unknown */
    size_t stream;     /* which stream of the record, */
    size_t input;      /*   and which input of its scans */
};

enum sensor_kind { SENSOR_HALL, SENSOR_INDUCTIVE };
/* Names as in a hookup file: static; from a name 0, or -EINVAL with `*kind` untouched. */
const char *sensor_kind_name(enum sensor_kind kind);
int sensor_kind_from_name(const char *name, enum sensor_kind *kind);

enum shaft { SHAFT_CRANK, SHAFT_CAM };
/* As those above. */
const char *shaft_name(enum shaft shaft);
int shaft_from_name(const char *name, enum shaft *shaft);

/*
 * A wheel written N, N-M or N-M-K: N places of equal pitch with M missing in a run, and with
 * another K missing elsewhere. `places` 0 means: not given, to be learnt.
 */
struct wheel {
    unsigned places;
    unsigned missing;
    unsigned missing_again;
};

/* Parses "learn", "36", "60-2", "36-2-2"; -EINVAL leaves `*wheel` untouched. */
int wheel_from_text(const char *text, struct wheel *wheel);

#define CHANNEL_NONE ((size_t)-1)

struct vehicle_sensor {
    const char *name;
    enum sensor_kind kind;
    size_t feed; /* index of a channel, or CHANNEL_NONE: not watched (or none: inductive) */
    size_t ret;
    size_t signal;
    double pull_up; /* volts; NAN: not given */
    bool pull_up_is_feed;
    bool pull_up_is_battery;
    double pull_up_ohms; /* NAN: unknown */
    enum shaft shaft;
    struct wheel wheel;
};

struct vehicle {
    const char *name;      /* NULL: not given */
    const char *complaint; /* NULL: not given */
    unsigned cylinders;    /* 0: not given */
    double system_volts;   /* 12 or 24 */
    enum ground_point ground;
    double temperature_c; /* NAN: not given */
    size_t channel_count;
    const struct vehicle_channel *channels;
    size_t sensor_count;
    const struct vehicle_sensor *sensors;
};

/*
 * What an input leaves of a pull-up that it hangs on, 0..1: input / (pull-up + input), by the
 * `input_ohms` of the sensor's signal channel and its `pull_up_ohms`. 1 where either is unknown.
 */
double vehicle_pull_up_share(const struct vehicle *vehicle, const struct vehicle_sensor *sensor);

/* Index of the first channel with that role, or CHANNEL_NONE. */
size_t vehicle_channel_by_role(const struct vehicle *vehicle, enum role role);

/* Index of the channel of that name, or CHANNEL_NONE. */
size_t vehicle_channel_by_name(const struct vehicle *vehicle, const char *name);

/* Index of a sensor that uses this channel, or CHANNEL_NONE. */
size_t vehicle_sensor_of_channel(const struct vehicle *vehicle, size_t channel);

#endif
