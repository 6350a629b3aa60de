// SPDX-License-Identifier: Apache-2.0
/*
 * watch_feed.c - feeds outside their limit, told from feeds that went off with the key.
 */
#include "watch_feed.h"

#include "excursion.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

/* An excursion is judged so long after it began: the end of a cranking is known within 1 s. */
#define JUDGE_AFTER_S 1.5
/* A feed may need so long to come up after the key (main relay, the control unit's boot). */
#define COME_UP_S 0.5
/* The key's lead and the feed do not change in the same scan. */
#define KEY_SLACK_S 0.3
/* After a loss: still out or not is seen again within this. */
#define RESUME_S 0.1
/* Below this share of its nominal the whole half second: the feed is off, not low. */
#define OFF_SHARE 0.1
/* Back inside by this share of the tolerance. */
#define HYSTERESIS_SHARE 0.2
/* The limit follows the battery in steps no finer than this. */
#define LIMIT_STEP_V 0.01

enum feed_state {
    FEED_INSIDE,
    FEED_UNJUDGED, /* it went out of range less than JUDGE_AFTER_S ago */
    FEED_OFF,      /* out of range because the key is off */
    FEED_OUT       /* out of range, and a mark says so */
};

struct watch_feed {
    size_t channel;
    const char *name;
    const char *unit;
    double nominal; /* NAN: follows the battery */
    double tolerance;
    double drop_out;
    double inrush_s;
    size_t battery; /* channel, or CHANNEL_NONE */
    double before_s, after_s;
    struct excursion_range range;
    struct excursion *excursion;

    enum feed_state state;
    bool open;       /* out of range as far as the samples go */
    bool was_inside; /* in range before; else it was out from the first sample */
    bool low;
    double from_s;   /* first sample outside */
    double to_s;     /* first sample back, where it is not open */
    double extreme;  /* of this event */
    double judged_s; /* when it was found to be off with the key */
    double marked_s; /* what the mark that began it is about */
    unsigned times;  /* excursions within the one event */
    bool broken;     /* samples are missing since `to_s` */
};

/* The limits of now: nominal and tolerance, less where the battery leaves less. */
static struct excursion_range range_now(const struct watch_feed *feed,
                                        const struct watch_scene *scene) {
    struct excursion_range range = feed->range;
    range.low = -(double)INFINITY;
    range.high = (double)INFINITY;
    if (!isnan(feed->nominal)) {
        range.low = feed->nominal - feed->tolerance;
        range.high = feed->nominal + feed->tolerance;
    }
    double lowest = 0.0;
    double highest = 0.0;
    if (feed->battery == CHANNEL_NONE ||
        !watch_level_extremes(&scene->levels[feed->battery], &lowest, &highest))
        return range;
    double left = lowest - feed->drop_out;
    if (isnan(feed->nominal)) {
        range.low = left;
        range.high = highest + feed->drop_out;
    } else if (left < range.low) {
        range.low = left;
    }
    return range;
}

int watch_feed_new(const struct watch_scene *scene, size_t channel, struct watch_feed **feed) {
    const struct vehicle_channel *lead = &scene->vehicle->channels[channel];
    const struct limits *limits = &scene->hookup->limits;
    if (isnan(lead->nominal) && !lead->nominal_is_battery)
        return -ENOENT;
    struct watch_feed *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    made->channel = channel;
    made->name = lead->name;
    made->unit = lead->unit;
    made->nominal = lead->nominal_is_battery ? (double)NAN : lead->nominal;
    made->tolerance = isnan(lead->tolerance) ? limits->feed_tolerance : lead->tolerance;
    made->drop_out = limits->feed_drop_out;
    made->inrush_s = limits->feed_inrush_exempt;
    made->battery = vehicle_channel_by_role(scene->vehicle, ROLE_BATTERY);
    made->before_s = scene->hookup->storage.before_s;
    made->after_s = scene->hookup->storage.after_s;
    made->range.hysteresis = made->tolerance * HYSTERESIS_SHARE;
    made->range.minimum_s = limits->dip_minimum_time;
    made->range = range_now(made, scene);
    int result = excursion_new(&lead->scale, &made->range, &made->excursion);
    if (result) {
        free(made);
        return result;
    }
    *feed = made;
    return 0;
}

void watch_feed_free(struct watch_feed *feed) {
    if (!feed)
        return;
    excursion_free(feed->excursion);
    free(feed);
}

/* ---- what the samples say ---- */

static void take_extreme(struct watch_feed *feed, double extreme) {
    if (feed->low ? extreme < feed->extreme : extreme > feed->extreme)
        feed->extreme = extreme;
}

static void went_out(struct watch_feed *feed, const struct excursion_event *event) {
    feed->open = true;
    feed->broken = false;
    feed->times++;
    if (feed->state != FEED_INSIDE) {
        take_extreme(feed, event->extreme);
        return;
    }
    feed->state = FEED_UNJUDGED;
    feed->times = 1;
    feed->low = event->low;
    feed->was_inside = event->from_s < event->from_until_s;
    feed->from_s = event->from_until_s;
    feed->extreme = event->extreme;
}

static void came_back(struct watch_feed *feed, const struct excursion_event *event) {
    take_extreme(feed, event->extreme);
    feed->open = false;
    feed->broken = isnan(event->to_s);
    if (!feed->broken)
        feed->to_s = event->to_s;
}

static void on_excursion(void *context, const struct excursion_event *event) {
    struct watch_feed *feed = context;
    if (event->begins)
        went_out(feed, event);
    else
        came_back(feed, event);
}

void watch_feed_push(struct watch_feed *feed, struct watch_scene *scene, const int32_t *counts,
                     size_t count, double time_s, double period_s) {
    struct excursion_range range = range_now(feed, scene);
    if (fabs(range.low - feed->range.low) > LIMIT_STEP_V ||
        fabs(range.high - feed->range.high) > LIMIT_STEP_V) {
        feed->range = range;
        excursion_set_range(feed->excursion, &range);
    }
    excursion_push(feed->excursion, counts, count, time_s, period_s, on_excursion, feed);
}

void watch_feed_break(struct watch_feed *feed, struct watch_scene *scene) {
    bool was_open = feed->open;
    excursion_break(feed->excursion, on_excursion, feed);
    if (was_open)
        feed->to_s = scene->now_s;
}

/* ---- what it means ---- */

static bool phase_is_live(enum phase phase) {
    return phase == PHASE_KEY_ON || phase == PHASE_CRANKING || phase == PHASE_RUNNING;
}

/* Down to nothing, and for the whole half second: what a key-off looks like. */
static bool is_fully_down(const struct watch_feed *feed, const struct watch_scene *scene) {
    double lowest = 0.0;
    double highest = 0.0;
    if (!feed->low || !watch_level_extremes(&scene->levels[feed->channel], &lowest, &highest))
        return false;
    double nominal = isnan(feed->nominal) ? scene->vehicle->system_volts : feed->nominal;
    return highest < nominal * OFF_SHARE;
}

/* Something beside this feed shows that the key is on, in what is taken for `phase`. */
static bool key_is_shown_on(const struct watch_feed *feed, const struct watch_scene *scene,
                            enum phase phase) {
    if (scene->has_ignition || phase == PHASE_CRANKING)
        return true;
    for (size_t i = 0; i < scene->vehicle->channel_count; i++) {
        const struct vehicle_channel *lead = &scene->vehicle->channels[i];
        const struct watch_level *level = &scene->levels[i];
        double lowest = 0.0;
        double highest = 0.0;
        if (i == feed->channel || !watch_level_extremes(level, &lowest, &highest))
            continue;
        if (lead->role == ROLE_SIGNAL && watch_level_has_edges(level))
            return true;
        bool is_feed = lead->role == ROLE_FEED || lead->role == ROLE_SUPPLY;
        double nominal = isnan(lead->nominal) ? scene->vehicle->system_volts : lead->nominal;
        if (is_feed && lowest > nominal * 0.5)
            return true;
    }
    return false;
}

static bool is_key_off(const struct watch_feed *feed, const struct watch_scene *scene,
                       enum phase phase) {
    if (phase == PHASE_KEY_OFF)
        return true;
    return is_fully_down(feed, scene) && !key_is_shown_on(feed, scene, phase);
}

/* The first milliseconds of the starter's inrush are exempt. */
static bool is_inrush(const struct watch_feed *feed, const struct watch_scene *scene) {
    return feed->from_s >= scene->engaged_s - KEY_SLACK_S * 0.1 &&
           feed->to_s <= scene->engaged_s + feed->inrush_s;
}

/* ---- marks ---- */

static void describe_limits(const struct watch_feed *feed, char *text, size_t size) {
    if (isfinite(feed->range.low) && isfinite(feed->range.high))
        snprintf(text, size, "allowed %.2f to %.2f %s", feed->range.low, feed->range.high,
                 feed->unit);
    else
        snprintf(text, size, "its limits follow the battery");
}

static struct watch_mark mark_of(const struct watch_feed *feed, enum phase phase, double at_s) {
    return (struct watch_mark){.trigger = "feed",
                               .channel = feed->channel,
                               .phase = phase,
                               .elapsed_ns = watch_nanoseconds(at_s),
                               .value = feed->extreme};
}

static void mark_begin(struct watch_feed *feed, struct watch_scene *scene, double at_s,
                       bool from_the_key) {
    enum phase phase = watch_scene_phase_at(scene, at_s);
    struct watch_mark mark = mark_of(feed, phase, at_s);
    char limits[80];
    char times[48] = "";
    char text[256];
    describe_limits(feed, limits, sizeof limits);
    if (feed->times > 1)
        snprintf(times, sizeof times, ", %u times within %.1f s", feed->times, JUDGE_AFTER_S);
    snprintf(text, sizeof text, "%s %s %.2f %s %s%s (%s).", feed->name,
             from_the_key ? "stayed at" : (feed->low ? "fell to" : "rose to"), feed->extreme,
             feed->unit, watch_phase_words(phase), times, limits);
    mark.begins = true;
    mark.before_s = feed->before_s;
    mark.after_s = feed->after_s;
    mark.text = text;
    watch_scene_mark(scene, &mark, &scene->budgets[feed->channel]);
    feed->state = FEED_OUT;
    feed->marked_s = at_s;
}

static void mark_end(struct watch_feed *feed, struct watch_scene *scene, double at_s,
                     bool with_the_key) {
    struct watch_mark mark = mark_of(feed, watch_scene_phase_at(scene, at_s), at_s);
    char text[256];
    double lasted_s = at_s - feed->marked_s;
    const char *how = "is back in its range";
    if (with_the_key)
        how = scene->has_ignition ? "went off with the key"
                                  : "is still out, but no lead shows the key on any more";
    snprintf(text, sizeof text, "%s %s, %.3f s after it began; %s value %.2f %s.", feed->name, how,
             lasted_s, feed->low ? "lowest" : "highest", feed->extreme, feed->unit);
    /* The end belongs to the snapshot of the beginning, where it comes before that one's end. */
    mark.after_s = lasted_s <= feed->after_s ? feed->after_s : 0.0;
    mark.text = text;
    watch_scene_mark(scene, &mark, &scene->budgets[feed->channel]);
}

/* ---- judging ---- */

static void judge_short(struct watch_feed *feed, struct watch_scene *scene) {
    enum phase phase = watch_scene_phase_at(scene, feed->from_s);
    bool key_went = scene->has_ignition && scene->key_off_s >= feed->from_s - KEY_SLACK_S;
    feed->state = FEED_INSIDE;
    if (phase == PHASE_KEY_OFF || key_went || !feed->was_inside || is_inrush(feed, scene))
        return;
    mark_begin(feed, scene, feed->from_s, false);
    mark_end(feed, scene, feed->to_s, false);
    feed->state = FEED_INSIDE;
}

static void judge(struct watch_feed *feed, struct watch_scene *scene) {
    if (!feed->open) {
        judge_short(feed, scene);
        return;
    }
    /* What was a moment after the fall: a starter let go later does not make it a key-off. */
    if (is_key_off(feed, scene, watch_scene_phase_at(scene, feed->from_s + KEY_SLACK_S))) {
        feed->state = FEED_OFF;
        feed->judged_s = scene->now_s;
        return;
    }
    mark_begin(feed, scene, feed->from_s, !feed->was_inside);
}

/* The key came on, or the starter, and the feed did not. */
static void judge_again(struct watch_feed *feed, struct watch_scene *scene) {
    double since_s = watch_scene_phase_since(scene);
    if (!feed->open) {
        if (!feed->broken || scene->now_s - feed->to_s > RESUME_S)
            feed->state = FEED_INSIDE;
        return;
    }
    if (!phase_is_live(scene->phase) || scene->now_s - since_s < COME_UP_S ||
        since_s + COME_UP_S <= feed->judged_s || is_key_off(feed, scene, scene->phase))
        return;
    double lowest = 0.0;
    double highest = 0.0;
    if (watch_level_extremes(&scene->levels[feed->channel], &lowest, &highest))
        feed->extreme = feed->low ? lowest : highest;
    feed->times = 1;
    mark_begin(feed, scene, since_s, true);
}

static void see_end(struct watch_feed *feed, struct watch_scene *scene) {
    if (!feed->open) {
        if (feed->broken && scene->now_s - feed->to_s <= RESUME_S)
            return;
        mark_end(feed, scene, feed->to_s, false);
        feed->state = FEED_INSIDE;
    } else if (scene->phase == PHASE_KEY_OFF) {
        mark_end(feed, scene, watch_scene_phase_since(scene), true);
        feed->state = FEED_OFF;
        feed->judged_s = scene->now_s;
    }
}

void watch_feed_settle(struct watch_feed *feed, struct watch_scene *scene) {
    switch (feed->state) {
    case FEED_INSIDE:
        break;
    case FEED_UNJUDGED:
        if (scene->now_s - feed->from_s >= JUDGE_AFTER_S)
            judge(feed, scene);
        break;
    case FEED_OFF:
        judge_again(feed, scene);
        break;
    case FEED_OUT:
        see_end(feed, scene);
        break;
    }
}
