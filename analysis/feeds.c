// SPDX-License-Identifier: Apache-2.0
/*
 * feeds.c - the distance of every feed from its limit, and the excursions of that distance.
 */
#include "feeds.h"

#include "difference.h"
#include "excursion.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define CHUNK        512
#define FLUTTER_S    0.1  /* dips so close together are one */
#define MOST_DIPS    1024 /* of all feeds; the rest is counted */
#define SHARE_UNSEEN 0.12 /* of the system's volts: no battery reads so little */
#define HYSTERESIS_V 0.05

struct feed {
    size_t channel, ret, battery;
    bool judged;
    struct excursion *excursion; /* of (feed - return) - limit */
    struct feeds *feeds;
    size_t newest; /* its newest dip, or CHANNEL_NONE */
};

struct feeds {
    const struct vehicle *vehicle;
    struct limits limits;
    size_t feed_count;
    struct feed *feeds;
    size_t dip_count, dip_room, dropped;
    struct feed_dip *dips;
    int error;
};

double feeds_tolerance(const struct vehicle *vehicle, const struct limits *limits, size_t channel) {
    double own = vehicle->channels[channel].tolerance;
    return isnan(own) ? limits->feed_tolerance : own;
}

double feeds_lower_limit(const struct vehicle *vehicle, const struct limits *limits, size_t channel,
                         double battery) {
    const struct vehicle_channel *of = &vehicle->channels[channel];
    double supplied = battery - limits->feed_drop_out;
    if (of->nominal_is_battery)
        return supplied;
    double needed = of->nominal - feeds_tolerance(vehicle, limits, channel);
    if (battery < SHARE_UNSEEN * vehicle->system_volts)
        return needed; /* the battery's lead is off: it excuses nothing */
    return supplied < needed ? supplied : needed;
}

static size_t battery_on_stream(const struct vehicle *vehicle, size_t stream) {
    size_t battery = vehicle_channel_by_role(vehicle, ROLE_BATTERY);
    if (battery == CHANNEL_NONE || vehicle->channels[battery].stream != stream)
        return CHANNEL_NONE;
    return battery;
}

static int fit_feed(struct feeds *feeds, struct feed *feed, size_t channel) {
    const struct vehicle_channel *of = &feeds->vehicle->channels[channel];
    struct scale scale = difference_scale();
    struct excursion_range range = {
        .low = 0.0,
        .high = HUGE_VAL,
        .hysteresis = HYSTERESIS_V,
        .minimum_s = feeds->limits.dip_minimum_time,
    };
    feed->feeds = feeds;
    feed->channel = channel;
    feed->newest = CHANNEL_NONE;
    feed->ret = difference_return(feeds->vehicle, channel);
    feed->battery = battery_on_stream(feeds->vehicle, of->stream);
    feed->judged = of->nominal_is_battery ? feed->battery != CHANNEL_NONE : !isnan(of->nominal);
    return excursion_new(&scale, &range, &feed->excursion);
}

int feeds_new(const struct vehicle *vehicle, const struct limits *limits, struct feeds **feeds) {
    int result = -ENOMEM;
    struct feeds *made = calloc(1, sizeof *made);
    if (made == NULL)
        return result;
    made->vehicle = vehicle;
    made->limits = *limits;
    made->feeds = calloc(vehicle->channel_count + 1, sizeof *made->feeds);
    if (made->feeds == NULL)
        goto failed;
    for (size_t i = 0; i < vehicle->channel_count; i++) {
        if (vehicle->channels[i].role != ROLE_FEED)
            continue;
        result = fit_feed(made, &made->feeds[made->feed_count++], i);
        if (result != 0)
            goto failed;
    }
    *feeds = made;
    return 0;

failed:
    feeds_free(made);
    return result;
}

void feeds_free(struct feeds *feeds) {
    if (feeds == NULL)
        return;
    for (size_t i = 0; i < feeds->feed_count; i++)
        excursion_free(feeds->feeds[i].excursion);
    free(feeds->feeds);
    free(feeds->dips);
    free(feeds);
}

/* A place for one more dip, or NULL. */
static struct feed_dip *new_dip(struct feeds *feeds) {
    if (feeds->dip_count == MOST_DIPS) {
        feeds->dropped++;
        return NULL;
    }
    if (feeds->dip_count == feeds->dip_room) {
        size_t room = feeds->dip_room == 0 ? 16 : feeds->dip_room * 2;
        struct feed_dip *dips = realloc(feeds->dips, room * sizeof *dips);
        if (dips == NULL) {
            feeds->error = -ENOMEM;
            return NULL;
        }
        feeds->dips = dips;
        feeds->dip_room = room;
    }
    return &feeds->dips[feeds->dip_count++];
}

/* The feed is down again (or for the first time). */
static void fall_begins(struct feed_dip *dip, double from_s) {
    if (dip->fall_count < FEED_FALLS)
        dip->falls[dip->fall_count] = (struct feed_fall){from_s, (double)NAN};
    dip->fall_count++;
}

/* How much earlier or later the channel is sampled than the scan's time says. */
static double lag_of(const struct feed *feed) {
    const struct vehicle_channel *of = &feed->feeds->vehicle->channels[feed->channel];
    return of->skew_s - of->delay_s;
}

static void dip_begins(struct feed *feed, const struct excursion_event *event) {
    struct feeds *feeds = feed->feeds;
    double lag_s = lag_of(feed);
    if (feed->newest != CHANNEL_NONE) {
        struct feed_dip *before = &feeds->dips[feed->newest];
        bool goes_on = before->ended_by_loss && event->from_s + lag_s <= before->from_until_s;
        if (goes_on || event->from_until_s + lag_s - before->to_s < FLUTTER_S) {
            before->times += goes_on ? 0 : 1;
            before->to_s = (double)NAN;
            fall_begins(before, event->from_until_s + lag_s);
            before->ended_by_loss = false;
            return;
        }
    }
    struct feed_dip *dip = new_dip(feeds);
    feed->newest = CHANNEL_NONE;
    if (dip == NULL)
        return;
    *dip = (struct feed_dip){
        .channel = feed->channel,
        .from_s = event->from_s + lag_s,
        .from_until_s = event->from_until_s + lag_s,
        .to_s = (double)NAN,
        .times = 1,
    };
    fall_begins(dip, dip->from_until_s);
    feed->newest = feeds->dip_count - 1;
}

static void take_excursion(void *context, const struct excursion_event *event) {
    struct feed *feed = context;
    if (event->begins)
        dip_begins(feed, event);
    if (feed->newest == CHANNEL_NONE)
        return;
    struct feed_dip *dip = &feed->feeds->dips[feed->newest];
    dip->depth = fmax(dip->depth, -event->extreme);
    if (event->begins)
        return;
    dip->to_s = event->to_s + lag_of(feed);
    if (dip->fall_count <= FEED_FALLS)
        dip->falls[dip->fall_count - 1].to_s = dip->to_s;
    dip->ended_by_loss = isnan(event->to_s);
}

/* The distances of some scans from the limit. */
static void find_margins(const struct feed *feed, const struct record_run *run, size_t first,
                         size_t count, int32_t *margins) {
    const struct vehicle *vehicle = feed->feeds->vehicle;
    const struct limits *limits = &feed->feeds->limits;
    difference_make(vehicle, run, feed->channel, feed->ret, first, count, margins);
    if (feed->battery == CHANNEL_NONE) {
        int32_t limit =
            difference_counts(feeds_lower_limit(vehicle, limits, feed->channel, (double)INFINITY));
        for (size_t i = 0; i < count; i++)
            margins[i] -= limit;
        return;
    }
    const struct vehicle_channel *battery = &vehicle->channels[feed->battery];
    const int32_t *counts = run->counts[battery->input] + first;
    for (size_t i = 0; i < count; i++) {
        double level = scale_value(&battery->scale, counts[i]);
        margins[i] -= difference_counts(feeds_lower_limit(vehicle, limits, feed->channel, level));
    }
}

static void push_feed(struct feed *feed, const struct record_run *run) {
    int32_t margins[CHUNK];
    if (run->after_loss)
        excursion_break(feed->excursion, take_excursion, feed);
    for (size_t i = 0; i < run->scans; i += CHUNK) {
        size_t count = run->scans - i < CHUNK ? run->scans - i : CHUNK;
        find_margins(feed, run, i, count, margins);
        excursion_push(feed->excursion, margins, count, run->time_s + run->period_s * (double)i,
                       run->period_s, take_excursion, feed);
    }
}

int feeds_push(struct feeds *feeds, const struct record_run *run) {
    for (size_t i = 0; i < feeds->feed_count; i++) {
        struct feed *feed = &feeds->feeds[i];
        if (feed->judged && feeds->vehicle->channels[feed->channel].stream == run->stream)
            push_feed(feed, run);
    }
    return feeds->error;
}

static int by_channel_and_time(const void *left, const void *right) {
    const struct feed_dip *a = left;
    const struct feed_dip *b = right;
    if (a->channel != b->channel)
        return a->channel < b->channel ? -1 : 1;
    return (a->from_until_s > b->from_until_s) - (a->from_until_s < b->from_until_s);
}

int feeds_finish(struct feeds *feeds) {
    for (size_t i = 0; i < feeds->feed_count; i++) {
        excursion_break(feeds->feeds[i].excursion, take_excursion, &feeds->feeds[i]);
        if (feeds->feeds[i].newest != CHANNEL_NONE)
            feeds->dips[feeds->feeds[i].newest].ended_by_loss = false;
    }
    if (feeds->dip_count > 1)
        qsort(feeds->dips, feeds->dip_count, sizeof *feeds->dips, by_channel_and_time);
    return feeds->error;
}

const struct feed_dip *feeds_dips(const struct feeds *feeds, size_t *count) {
    *count = feeds->dip_count;
    return feeds->dips;
}

size_t feeds_falls(const struct feed_dip *dip) {
    return dip->fall_count < FEED_FALLS ? dip->fall_count : FEED_FALLS;
}

size_t feeds_dropped(const struct feeds *feeds) {
    return feeds->dropped;
}
