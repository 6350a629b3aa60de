// SPDX-License-Identifier: Apache-2.0
/*
 * comparison.c - checks and readings of two attempts, put beside each other.
 */
#include "comparison.h"

#include "json_value.h"
#include "night_study.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

bool comparison_belongs(const struct night_row *row, const json_t *object) {
    const json_t *attempt = json_object_get(object, "attempt");
    return row->attempt ? json_equal(attempt, json_object_get(row->attempt, "number"))
                        : json_is_null(attempt);
}

double comparison_rpm(const struct night_row *row) {
    return number_of(row->attempt, "rpm");
}

bool comparison_like_speed(const struct night_row *a, const struct night_row *b) {
    double one = comparison_rpm(a), other = comparison_rpm(b);
    return !(fabs(one - other) > COMPARISON_LIKE_SPEED * fmax(one, other)); /* true for NAN */
}

/* ---- readings ---- */

struct key {
    const char *phase, *key, *word;
};

static const struct key keys[] = {
    {"key-on", "average", "average"},   {"cranking", "lowest", "lowest"},
    {"cranking", "highest", "highest"}, {"cranking", "average", "average"},
    {"cranking", "low", "low state"},   {"cranking", "high", "high state"},
};

static const json_t *find_channel(const struct night_row *row, const char *name) {
    size_t i;
    json_t *channel;
    json_array_foreach(json_object_get(row->report, "channels"), i, channel) {
        if (same_text(text_of(channel, "channel"), name))
            return channel;
    }
    return NULL;
}

static const json_t *level_in(const struct night_row *row, const char *name, const char *phase) {
    size_t i;
    json_t *level;
    json_array_foreach(json_object_get(find_channel(row, name), "levels"), i, level) {
        if (comparison_belongs(row, level) && same_text(text_of(level, "phase"), phase))
            return level;
    }
    return NULL;
}

static double level_of(const struct night_row *row, const char *name, const struct key *key) {
    return number_of(level_in(row, name, key->phase), key->key);
}

/* By so much the average of pulses hangs on whether one more of them fell into the cranking. */
static double pulse_room(const struct night_row *row, const char *channel, const struct key *key) {
    if (!channel || strcmp(key->key, "average") != 0 || strcmp(key->phase, "cranking") != 0)
        return 0;
    const json_t *level = level_in(row, channel, key->phase);
    double duty = number_of(level, "duty");
    double length_s = number_of(row->attempt, "to_s") - number_of(row->attempt, "from_s");
    double pulses = number_of(level, "edges_per_s") / 2 * length_s;
    double room = (number_of(level, "high") - number_of(level, "low")) * fmin(duty, 1 - duty) /
                  fmax(pulses, 1);
    return isfinite(room) ? fmax(room, 0) : 0;
}

/* A channel's name NULL: the speed. */
static double value_of(const struct night_row *row, const char *channel, const struct key *key) {
    return channel ? level_of(row, channel, key) : comparison_rpm(row);
}

/* Widens by the attempts that ended alike at a like speed, and by what cannot be told apart. */
static void find_spread(const struct night *night, const struct night_row *row, const char *channel,
                        const struct key *key, size_t side, struct comparison_reading *reading) {
    double low = reading->value[side], high = low;
    reading->attempts[side] = 1;
    for (size_t i = 0; i < night->row_count; i++) {
        const struct night_row *other = &night->rows[i];
        double value = value_of(other, channel, key);
        if (other == row || !other->attempt || isnan(value) || other->failed != row->failed ||
            night_outcome(other) != night_outcome(row) || !comparison_like_speed(other, row))
            continue;
        low = fmin(low, value);
        high = fmax(high, value);
        reading->attempts[side]++;
    }
    double least = COMPARISON_LEAST * (same_text(reading->unit, "V") ? 1 : 100);
    double room = fmax(COMPARISON_SHARE * fabs(reading->value[side]), least) / 2 +
                  (key ? pulse_room(row, channel, key) : 0);
    reading->low[side] = fmin(low, reading->value[side] - room);
    reading->high[side] = fmax(high, reading->value[side] + room);
}

static int add_reading(const struct night *const nights[2], struct comparison *to,
                       const char *channel, const char *unit, const struct key *key) {
    double values[2] = {value_of(to->row[0], channel, key), value_of(to->row[1], channel, key)};
    if (isnan(values[0]) && isnan(values[1]))
        return 0;
    struct comparison_reading *grown =
        realloc(to->readings, (to->reading_count + 1) * sizeof *grown);
    if (!grown)
        return -ENOMEM;
    to->readings = grown;
    struct comparison_reading *reading = &grown[to->reading_count++];
    *reading = (struct comparison_reading){.unit = unit};
    if (channel)
        snprintf(reading->name, sizeof reading->name, "%s, %s: %s", channel, key->phase, key->word);
    else
        snprintf(reading->name, sizeof reading->name, "speed while cranking");
    for (size_t side = 0; side < 2; side++) {
        reading->value[side] = values[side];
        find_spread(nights[side], to->row[side], channel, key, side, reading);
    }
    reading->changed =
        reading->low[0] > reading->high[1] || reading->low[1] > reading->high[0]; /* not for NAN */
    return 0;
}

/* Of signals that switch the extremes are their states' noise; of others there are no states. */
static int add_channel(const struct night *const nights[2], struct comparison *to,
                       const json_t *channel) {
    int result = 0;
    const char *name = text_of(channel, "channel");
    const char *unit = text_of(channel, "unit");
    for (size_t i = 0; i < sizeof keys / sizeof keys[0] && result == 0; i++)
        result = add_reading(nights, to, name, unit ? unit : "", &keys[i]);
    return result;
}

static int add_readings(const struct night *const nights[2], struct comparison *to) {
    int result = add_reading(nights, to, NULL, "rpm", NULL);
    for (size_t side = 0; side < 2; side++) {
        size_t i;
        json_t *channel;
        json_array_foreach(json_object_get(to->row[side]->report, "channels"), i, channel) {
            if (result == 0 &&
                (side == 0 || !find_channel(to->row[0], text_of(channel, "channel"))))
                result = add_channel(nights, to, channel);
        }
    }
    return result;
}

/* ---- checks ---- */

static bool same_check(const json_t *a, const json_t *b) {
    return same_text(text_of(a, "check"), text_of(b, "check")) &&
           same_text(text_of(a, "channel"), text_of(b, "channel")) &&
           same_text(text_of(a, "phase"), text_of(b, "phase"));
}

static const json_t *find_check(const struct night_row *row, const json_t *like) {
    size_t i;
    json_t *check;
    json_array_foreach(json_object_get(row->report, "checks"), i, check) {
        if (comparison_belongs(row, check) && same_check(check, like))
            return check;
    }
    return NULL;
}

static int add_checks(struct comparison *to) {
    for (size_t side = 0; side < 2; side++) {
        size_t i;
        json_t *check;
        json_array_foreach(json_object_get(to->row[side]->report, "checks"), i, check) {
            const json_t *other = find_check(to->row[1 - side], check);
            if (!comparison_belongs(to->row[side], check) || (side == 1 && other))
                continue;
            struct comparison_check *grown =
                realloc(to->checks, (to->check_count + 1) * sizeof *grown);
            if (!grown)
                return -ENOMEM;
            to->checks = grown;
            grown[to->check_count].of[side] = check;
            grown[to->check_count++].of[1 - side] = other;
        }
    }
    return 0;
}

/* ---- all ---- */

int comparison_make(const struct night *first, const struct night_row *a,
                    const struct night *second, const struct night_row *b, struct comparison *to) {
    struct comparison made = {.row = {a, b}};
    const struct night *const nights[2] = {first, second};
    int result = add_checks(&made);
    if (result == 0)
        result = add_readings(nights, &made);
    if (result < 0)
        comparison_done(&made);
    else
        *to = made;
    return result;
}

void comparison_done(struct comparison *comparison) {
    free(comparison->readings);
    free(comparison->checks);
    *comparison = (struct comparison){0};
}
