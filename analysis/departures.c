// SPDX-License-Identifier: Apache-2.0
/*
 * departures.c - the distance of every circuit from its limit, and the excursions of that distance.
 */
#include "departures.h"

#include "difference.h"
#include "excursion.h"
#include "feeds.h"
#include "returns.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define CHUNK             512
#define AGAIN_S           0.1  /* spells so close together are one departure */
#define MOST              1024 /* of all leads; the rest is counted */
#define FEED_HYSTERESIS_V 0.05
#define SLOW_HYSTERESIS_V 0.01

struct watched {
    size_t channel, ret, battery;
    struct excursion *excursion; /* of the distance inside the limit */
    struct departures *owner;
    size_t newest; /* its newest departure, or CHANNEL_NONE */
};

struct departures {
    const struct vehicle *vehicle;
    struct limits limits;
    size_t watched_count;
    struct watched *watched;
    size_t count, room, dropped;
    struct departure *list;
    int error;
};

static size_t battery_on_stream(const struct vehicle *vehicle, size_t stream) {
    size_t battery = vehicle_channel_by_role(vehicle, ROLE_BATTERY);
    if (battery == CHANNEL_NONE || vehicle->channels[battery].stream != stream)
        return CHANNEL_NONE;
    return battery;
}

/* Can this lead be judged by itself, at every moment? */
static bool can_judge(const struct departures *departures, size_t channel) {
    const struct vehicle *vehicle = departures->vehicle;
    const struct vehicle_channel *of = &vehicle->channels[channel];
    bool battery = battery_on_stream(vehicle, of->stream) != CHANNEL_NONE;
    switch (of->role) {
    case ROLE_FEED:
        return of->nominal_is_battery ? battery : !isnan(of->nominal);
    case ROLE_RETURN:
        return true;
    case ROLE_GROUND:
        return vehicle->ground == GROUND_BATTERY_NEGATIVE;
    case ROLE_SUPPLY:
        return battery;
    default:
        return false;
    }
}

static int watch(struct departures *departures, size_t channel) {
    const struct vehicle_channel *of = &departures->vehicle->channels[channel];
    struct watched *watched = &departures->watched[departures->watched_count++];
    struct scale scale = difference_scale();
    bool feed = of->role == ROLE_FEED;
    struct excursion_range range = {
        .low = 0.0,
        .high = HUGE_VAL,
        .hysteresis = feed ? FEED_HYSTERESIS_V : SLOW_HYSTERESIS_V,
        .minimum_s = departures->limits.dip_minimum_time,
    };
    watched->owner = departures;
    watched->channel = channel;
    watched->newest = CHANNEL_NONE;
    watched->ret = feed ? difference_return(departures->vehicle, channel) : CHANNEL_NONE;
    watched->battery = battery_on_stream(departures->vehicle, of->stream);
    return excursion_new(&scale, &range, &watched->excursion);
}

int departures_new(const struct vehicle *vehicle, const struct limits *limits,
                   struct departures **departures) {
    int result = -ENOMEM;
    struct departures *made = calloc(1, sizeof *made);
    if (made == NULL)
        return result;
    made->vehicle = vehicle;
    made->limits = *limits;
    made->watched = calloc(vehicle->channel_count + 1, sizeof *made->watched);
    if (made->watched == NULL)
        goto failed;
    for (size_t i = 0; i < vehicle->channel_count; i++) {
        if (!can_judge(made, i))
            continue;
        result = watch(made, i);
        if (result != 0)
            goto failed;
    }
    *departures = made;
    return 0;

failed:
    departures_free(made);
    return result;
}

void departures_free(struct departures *departures) {
    if (departures == NULL)
        return;
    for (size_t i = 0; i < departures->watched_count; i++)
        excursion_free(departures->watched[i].excursion);
    free(departures->watched);
    free(departures->list);
    free(departures);
}

/* A place for one more, or NULL. */
static struct departure *add(struct departures *departures) {
    if (departures->count == MOST) {
        departures->dropped++;
        return NULL;
    }
    if (departures->count == departures->room) {
        size_t room = departures->room == 0 ? 16 : departures->room * 2;
        struct departure *list = realloc(departures->list, room * sizeof *list);
        if (list == NULL) {
            departures->error = -ENOMEM;
            return NULL;
        }
        departures->list = list;
        departures->room = room;
    }
    return &departures->list[departures->count++];
}

static void spell_begins(struct departure *departure, double from_s) {
    if (departure->spell_count < DEPARTURE_SPELLS)
        departure->spells[departure->spell_count] = (struct departure_spell){from_s, (double)NAN};
    departure->spell_count++;
}

/* How much earlier or later the channel is sampled than the scan's time says. */
static double lag_of(const struct watched *watched) {
    const struct vehicle_channel *of = &watched->owner->vehicle->channels[watched->channel];
    return of->skew_s - of->delay_s;
}

/* It is out again so soon that this is the departure before, going on. */
static bool goes_on(struct watched *watched, const struct excursion_event *event) {
    if (watched->newest == CHANNEL_NONE)
        return false;
    double lag_s = lag_of(watched);
    struct departure *before = &watched->owner->list[watched->newest];
    bool never_back = before->ended_by_loss && event->from_s + lag_s <= before->from_until_s;
    if (!never_back && !(event->from_until_s + lag_s - before->to_s < AGAIN_S))
        return false;
    before->times += never_back ? 0 : 1;
    before->to_s = (double)NAN;
    before->ended_by_loss = false;
    spell_begins(before, event->from_until_s + lag_s);
    return true;
}

static void begins(struct watched *watched, const struct excursion_event *event) {
    struct departures *departures = watched->owner;
    double lag_s = lag_of(watched);
    if (goes_on(watched, event))
        return;
    struct departure *departure = add(departures);
    watched->newest = CHANNEL_NONE;
    if (departure == NULL)
        return;
    *departure = (struct departure){
        .channel = watched->channel,
        .from_s = event->from_s + lag_s,
        .from_until_s = event->from_until_s + lag_s,
        .to_s = (double)NAN,
        .times = 1,
    };
    spell_begins(departure, departure->from_until_s);
    watched->newest = departures->count - 1;
}

static void take_excursion(void *context, const struct excursion_event *event) {
    struct watched *watched = context;
    if (event->begins)
        begins(watched, event);
    if (watched->newest == CHANNEL_NONE)
        return;
    struct departure *departure = &watched->owner->list[watched->newest];
    departure->depth = fmax(departure->depth, -event->extreme);
    if (event->begins)
        return;
    departure->to_s = event->to_s + lag_of(watched);
    if (departure->spell_count <= DEPARTURE_SPELLS)
        departure->spells[departure->spell_count - 1].to_s = departure->to_s;
    departure->ended_by_loss = isnan(event->to_s);
}

/* ---- distances, in counts of difference.h ---- */

static double limit_at(const struct watched *watched, double battery) {
    const struct departures *departures = watched->owner;
    if (departures->vehicle->channels[watched->channel].role == ROLE_SUPPLY)
        return battery - departures->limits.supply_drop;
    return feeds_lower_limit(departures->vehicle, &departures->limits, watched->channel, battery);
}

/* Is the battery so high in all of these samples that the limit does not depend on it? */
static bool leaves_enough(const struct watched *watched, const struct scale *battery,
                          const int32_t *counts, size_t count) {
    int32_t low = counts[0];
    int32_t high = counts[0];
    for (size_t i = 1; i < count; i++) {
        low = counts[i] < low ? counts[i] : low;
        high = counts[i] > high ? counts[i] : high;
    }
    double lowest = fmin(scale_value(battery, low), scale_value(battery, high));
    return lowest > 0.5 * watched->owner->vehicle->system_volts &&
           limit_at(watched, lowest) == limit_at(watched, (double)INFINITY);
}

/* Inside the limit by how much, for a lead that must not fall. */
static void above(const struct watched *watched, const struct record_run *run, size_t first,
                  size_t count, int32_t *distances) {
    const struct vehicle *vehicle = watched->owner->vehicle;
    if (watched->battery == CHANNEL_NONE) {
        int32_t limit = difference_counts(limit_at(watched, (double)INFINITY));
        for (size_t i = 0; i < count; i++)
            distances[i] -= limit;
        return;
    }
    const struct vehicle_channel *battery = &vehicle->channels[watched->battery];
    const int32_t *counts = run->counts[battery->input] + first;
    if (leaves_enough(watched, &battery->scale, counts, count)) {
        int32_t limit = difference_counts(limit_at(watched, (double)INFINITY));
        for (size_t i = 0; i < count; i++)
            distances[i] -= limit;
        return;
    }
    for (size_t i = 0; i < count; i++)
        distances[i] -=
            difference_counts(limit_at(watched, scale_value(&battery->scale, counts[i])));
}

static void find_distances(const struct watched *watched, const struct record_run *run,
                           size_t first, size_t count, int32_t *distances) {
    const struct departures *departures = watched->owner;
    const struct vehicle *vehicle = departures->vehicle;
    difference_make(vehicle, run, watched->channel, watched->ret, first, count, distances);
    enum role role = vehicle->channels[watched->channel].role;
    if (role == ROLE_FEED || role == ROLE_SUPPLY) {
        above(watched, run, first, count, distances);
        return;
    }
    int32_t limit =
        difference_counts(role == ROLE_GROUND ? departures->limits.ground_level
                                              : returns_limit(vehicle, &departures->limits));
    for (size_t i = 0; i < count; i++)
        distances[i] = limit - distances[i];
}

static void push(struct watched *watched, const struct record_run *run) {
    int32_t distances[CHUNK];
    if (run->after_loss)
        excursion_break(watched->excursion, take_excursion, watched);
    for (size_t i = 0; i < run->scans; i += CHUNK) {
        size_t count = run->scans - i < CHUNK ? run->scans - i : CHUNK;
        find_distances(watched, run, i, count, distances);
        excursion_push(watched->excursion, distances, count,
                       run->time_s + run->period_s * (double)i, run->period_s, take_excursion,
                       watched);
    }
}

int departures_push(struct departures *departures, const struct record_run *run) {
    for (size_t i = 0; i < departures->watched_count; i++) {
        struct watched *watched = &departures->watched[i];
        if (departures->vehicle->channels[watched->channel].stream == run->stream)
            push(watched, run);
    }
    return departures->error;
}

static int by_channel_and_time(const void *left, const void *right) {
    const struct departure *a = left;
    const struct departure *b = right;
    if (a->channel != b->channel)
        return a->channel < b->channel ? -1 : 1;
    return (a->from_until_s > b->from_until_s) - (a->from_until_s < b->from_until_s);
}

int departures_finish(struct departures *departures) {
    for (size_t i = 0; i < departures->watched_count; i++) {
        struct watched *watched = &departures->watched[i];
        excursion_break(watched->excursion, take_excursion, watched);
        if (watched->newest != CHANNEL_NONE)
            departures->list[watched->newest].ended_by_loss = false;
    }
    if (departures->count > 1)
        qsort(departures->list, departures->count, sizeof *departures->list, by_channel_and_time);
    return departures->error;
}

const struct departure *departures_list(const struct departures *departures, size_t *count) {
    *count = departures->count;
    return departures->list;
}

size_t departures_spells(const struct departure *departure) {
    return departure->spell_count < DEPARTURE_SPELLS ? departure->spell_count : DEPARTURE_SPELLS;
}

size_t departures_dropped(const struct departures *departures) {
    return departures->dropped;
}
