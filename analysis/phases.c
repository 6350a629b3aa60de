// SPDX-License-Identifier: Apache-2.0
/*
 * phases.c - weighs what the leads tell, and follows the vehicle from phase to phase.
 *
 * Runs are taken in slices of a few milliseconds. Each lead has a small tracker of its own; after
 * every slice that is newer than all before, the trackers are asked and the phase is decided.
 */
#include "phases.h"

#include "battery.h"
#include "edges.h"
#include "turning.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define SLICE_S         0.010 /* a decision so often */
#define BATTERY_SLICE_S 0.002 /* a starter's surge takes some milliseconds */
#define KEY_OFF_HOLD_S  0.3   /* a feed away for less is a dip, not a key turned off */
#define CURRENT_HOLD_S  0.05  /* between compressions a starter's current may dip */
#define RESTART_S       0.3   /* a cranking is known so late, at most, that it begins */
#define LEARN_FOR_S     1.2   /* the first turns of a cranking give its speed */
#define CHARGING_HOLD_S 1.0
#define RELEASE_WAIT_S  0.25 /* after the release: does the engine turn faster by itself? */
#define BEFORE_LOAD_S   0.05
#define JUST_RELEASED_S 1.0   /* a rate may still be that of before */
#define COASTING_SHARE  0.9   /* of the cranking rate; an engine that runs is faster */
#define COASTS_S        2.0   /* no engine does for longer: slow edges are too few samples then */
#define SWING_SHARE     0.5   /* of a winding's swing while the starter turned it; less is hum */
#define SWING_WEIGHT    0.125 /* of an edge: beside a wheel's gap one swings twice as far */
#define BEGIN_WINDOW_S  0.3   /* what is on so soon after the first sample was on before */

/* A feed is on above the one share of its nominal, off below the other. */
#define FEED_ON_SHARE  0.5
#define FEED_OFF_SHARE 0.2
#define FEED_VOLTS     5.0 /* where no nominal was given */

#define QUEUE 64

/* A lead that is on or off: ignition, start request, a feed. */
struct line {
    double on_above, off_below; /* volts; or amperes */
    bool seen;
    bool on;
    double changed_s; /* when `on` last changed; -HUGE_VAL: it was so from the first sample on */
    double before, before_s;
};

/* What a channel is to the phases. */
enum use { USE_NONE, USE_BATTERY, USE_CURRENT, USE_IGNITION, USE_REQUEST, USE_FEED, USE_SIGNAL };

struct lead {
    enum use use;
    struct line line;
    double zero; /* current: the clamp's reading without current */
    struct edges *edges;
    struct turning turning;
    double swing;          /* of a winding, the average of its newest edges; counts */
    double cranking_swing; /*   its greatest in the last cranking; 0: none was seen */
};

/* What began the present cranking, and therefore ends it. */
enum cause { CAUSE_CURRENT, CAUSE_BATTERY, CAUSE_EDGES, CAUSE_REQUEST };

struct phases {
    const struct vehicle *vehicle;
    struct limits limits;
    struct lead *leads; /* one per channel */
    struct battery battery;
    bool has[USE_SIGNAL + 1];
    bool begun;
    double first_s, now_s;
    enum phase phase;
    double phase_s; /* its begin, as reported */
    enum cause cause;
    double released_s; /* end of the last cranking; -HUGE_VAL: none */
    bool settled;      /* the release has been reported */
    bool by_charging;  /* it runs because the battery is charged: nothing turns that is watched */
    double learn_from_s;
    struct phase_change queue[QUEUE];
    size_t oldest, waiting;
};

static const char *const names[] = {
    [PHASE_UNKNOWN] = "unknown",   [PHASE_KEY_OFF] = "key-off", [PHASE_KEY_ON] = "key-on",
    [PHASE_CRANKING] = "cranking", [PHASE_RUNNING] = "running",
};

const char *phase_name(enum phase phase) {
    return (unsigned)phase < sizeof names / sizeof names[0] ? names[phase] : names[PHASE_UNKNOWN];
}

static void switch_levels(struct line *line, const struct vehicle *vehicle,
                          const struct vehicle_channel *channel) {
    double level = isnan(channel->threshold) ? 0.5 * vehicle->system_volts : channel->threshold;
    line->on_above = level * 1.05;
    line->off_below = level * 0.95;
}

static void feed_levels(struct line *line, const struct vehicle *vehicle,
                        const struct vehicle_channel *channel) {
    double nominal = channel->nominal;
    if (channel->nominal_is_battery || channel->role == ROLE_SUPPLY)
        nominal = vehicle->system_volts;
    else if (isnan(nominal))
        nominal = FEED_VOLTS;
    line->on_above = FEED_ON_SHARE * nominal;
    line->off_below = FEED_OFF_SHARE * nominal;
}

static int signal_lead(struct lead *lead, const struct vehicle *vehicle, size_t channel) {
    size_t sensor = vehicle_sensor_of_channel(vehicle, channel);
    if (sensor == CHANNEL_NONE)
        return 0; /* a signal without a sensor: what it means is not known */
    lead->use = USE_SIGNAL;
    turning_init(&lead->turning, &vehicle->sensors[sensor]);
    return edges_new_of_channel(vehicle, channel, &lead->edges);
}

/* Finds out what channel `i` can tell. */
static int fit_lead(struct phases *phases, size_t i) {
    const struct vehicle_channel *channel = &phases->vehicle->channels[i];
    struct lead *lead = &phases->leads[i];
    int result = 0;
    switch (channel->role) {
    case ROLE_BATTERY:
        if (!phases->has[USE_BATTERY]) /* the first one is the battery */
            lead->use = USE_BATTERY;
        break;
    case ROLE_STARTER_CURRENT:
        lead->use = USE_CURRENT;
        lead->line.on_above = phases->limits.starter_current_on;
        lead->line.off_below = 0.5 * phases->limits.starter_current_on;
        break;
    case ROLE_IGNITION:
        lead->use = USE_IGNITION;
        switch_levels(&lead->line, phases->vehicle, channel);
        break;
    case ROLE_START_REQUEST:
        lead->use = USE_REQUEST;
        switch_levels(&lead->line, phases->vehicle, channel);
        break;
    case ROLE_FEED:
    case ROLE_SUPPLY:
        lead->use = USE_FEED;
        feed_levels(&lead->line, phases->vehicle, channel);
        break;
    case ROLE_SIGNAL:
        result = signal_lead(lead, phases->vehicle, i);
        break;
    default:
        break;
    }
    phases->has[lead->use] = true;
    return result;
}

int phases_new(const struct vehicle *vehicle, const struct limits *limits, struct phases **phases) {
    struct phases *made = calloc(1, sizeof *made);
    int result = -ENOMEM;
    if (made == NULL)
        return result;
    made->vehicle = vehicle;
    made->limits = *limits;
    made->leads = calloc(vehicle->channel_count + 1, sizeof *made->leads);
    if (made->leads == NULL)
        goto failed;
    for (size_t i = 0; i < vehicle->channel_count; i++) {
        result = fit_lead(made, i);
        if (result != 0)
            goto failed;
    }
    battery_init(&made->battery, &made->limits, vehicle->system_volts);
    made->released_s = -HUGE_VAL;
    made->settled = true;
    *phases = made;
    return 0;

failed:
    phases_free(made);
    return result;
}

void phases_free(struct phases *phases) {
    if (phases == NULL)
        return;
    for (size_t i = 0; phases->leads != NULL && i < phases->vehicle->channel_count; i++)
        edges_free(phases->leads[i].edges);
    free(phases->leads);
    free(phases);
}

/* The line's newest average. Changes are dated where a straight line crosses the level. */
static void line_push(struct line *line, double value, double at_s) {
    if (!line->seen) {
        line->seen = true;
        line->on = value > line->on_above;
        line->changed_s = -HUGE_VAL;
    } else if (line->on ? value < line->off_below : value > line->on_above) {
        double level = line->on ? line->off_below : line->on_above;
        double part = (level - line->before) / (value - line->before);
        if (!(part >= 0.0 && part <= 1.0))
            part = 1.0;
        line->on = !line->on;
        line->changed_s = line->before_s + part * (at_s - line->before_s);
    }
    line->before = value;
    line->before_s = at_s;
}

/* --- Questions to the leads ------------------------------------------------------------- */

/* Is any lead of that use on (since `*changed_s`)? */
static bool any_on(const struct phases *phases, enum use use, double *changed_s) {
    bool on = false;
    double changed = -HUGE_VAL;
    if (!phases->has[use])
        return false;
    for (size_t i = 0; i < phases->vehicle->channel_count; i++) {
        const struct lead *lead = &phases->leads[i];
        if (lead->use != use || !lead->line.seen)
            continue;
        if (lead->line.on && !on) {
            on = true;
            changed = lead->line.changed_s;
        } else if (lead->line.on == on &&
                   (on ? lead->line.changed_s < changed : lead->line.changed_s > changed)) {
            changed = lead->line.changed_s;
        }
    }
    *changed_s = changed;
    return on;
}

/*
 * A winding's voltage is proportional to its wheel's speed: what swings far less than while the
 * starter turned is no engine that runs, but a lead that hums.
 */
static bool hums(const struct lead *lead) {
    return lead->swing < SWING_SHARE * lead->cranking_swing;
}

/* The signal that tells most: the one with the most edges of those that turn now, or NULL. */
static const struct turning *best_turning(const struct phases *phases) {
    const struct turning *best = NULL;
    if (!phases->has[USE_SIGNAL])
        return NULL;
    for (size_t i = 0; i < phases->vehicle->channel_count; i++) {
        const struct turning *turning = &phases->leads[i].turning;
        if (phases->leads[i].use != USE_SIGNAL || !turning_now(turning, phases->now_s) ||
            hums(&phases->leads[i]))
            continue;
        if (best == NULL || turning_rate(turning) > turning_rate(best))
            best = turning;
    }
    return best;
}

static bool charges(const struct phases *phases) {
    return phases->has[USE_BATTERY] && phases->battery.charging_for_s >= CHARGING_HOLD_S;
}

/* --- Reporting -------------------------------------------------------------------------- */

static void enter(struct phases *phases, enum phase phase, double at_s) {
    if (phase == phases->phase)
        return;
    if (at_s < phases->phase_s || !isfinite(at_s))
        at_s = phases->phase_s;
    phases->phase = phase;
    phases->phase_s = at_s;
    size_t slot = (phases->oldest + phases->waiting) % QUEUE;
    if (phases->waiting == QUEUE) /* nobody takes: the newest is what still matters */
        slot = (phases->oldest + QUEUE - 1) % QUEUE;
    else
        phases->waiting++;
    phases->queue[slot] = (struct phase_change){.phase = phase, .at_s = at_s};
}

bool phases_take(struct phases *phases, struct phase_change *change) {
    if (phases->waiting == 0)
        return false;
    *change = phases->queue[phases->oldest];
    phases->oldest = (phases->oldest + 1) % QUEUE;
    phases->waiting--;
    return true;
}

enum phase phases_now(const struct phases *phases) {
    return phases->phase;
}

double phases_rest_volts(const struct phases *phases) {
    return phases->battery.cranking_rest;
}

/* --- Deciding --------------------------------------------------------------------------- */

/* The phase that the key alone gives, and since when. */
static enum phase key_phase(const struct phases *phases, double *since_s) {
    double changed_s;
    *since_s = phases->now_s;
    if (phases->has[USE_IGNITION]) {
        bool on = any_on(phases, USE_IGNITION, &changed_s);
        *since_s = changed_s;
        return on ? PHASE_KEY_ON : PHASE_KEY_OFF;
    }
    if (!phases->has[USE_FEED])
        return PHASE_UNKNOWN;
    if (any_on(phases, USE_FEED, &changed_s)) {
        *since_s = changed_s;
        return PHASE_KEY_ON;
    }
    bool just_fell = phases->now_s - changed_s < KEY_OFF_HOLD_S;
    if (just_fell && phases->phase != PHASE_UNKNOWN && phases->phase != PHASE_CRANKING)
        return PHASE_KEY_ON;
    *since_s = changed_s;
    return PHASE_KEY_OFF;
}

/* May edges alone tell that the starter turns the engine? */
static bool edges_may_tell(const struct phases *phases, const struct turning *turning) {
    bool from_the_first = turning->since_s - phases->first_s < BEGIN_WINDOW_S;
    if (phases->now_s - phases->released_s < phases->limits.started_hold ||
        phases->phase == PHASE_RUNNING)
        return false; /* it coasts, or it runs */
    if (phases->has[USE_CURRENT])
        return false;
    if (phases->has[USE_BATTERY] && phases->battery.state != BATTERY_UNSEEN)
        return from_the_first && phases->battery.level < phases->limits.charging_level &&
               turning_speed(turning, phases->limits.running_speed) == SPEED_CRANKING;
    return true;
}

static bool edges_begin(const struct phases *phases, double *at_s) {
    const struct turning *turning = best_turning(phases);
    if (turning == NULL || !edges_may_tell(phases, turning))
        return false;
    enum speed speed = turning_speed(turning, phases->limits.running_speed);
    bool from_rest = turning->since_s - phases->first_s >= BEGIN_WINDOW_S;
    if (speed == SPEED_RUNNING || (isnan(turning->rpm_of_rate) && !from_rest))
        return false;
    *at_s = turning->since_s;
    return true;
}

/* A load that might be a starter, and edges since it came on: the engine is turned. */
static void confirm_by_edges(struct phases *phases) {
    const struct turning *turning = best_turning(phases);
    if (phases->has[USE_BATTERY] && phases->battery.ripple_wanted && turning != NULL &&
        turning->since_s > phases->battery.ripple_from_s - BEFORE_LOAD_S)
        battery_confirm(&phases->battery);
}

/* Does a starter pull now? Then why, and since when. */
static bool cranking_begins(struct phases *phases, enum cause *cause, double *at_s) {
    if (any_on(phases, USE_CURRENT, at_s)) {
        *cause = CAUSE_CURRENT;
        return true;
    }
    confirm_by_edges(phases);
    /* A sag that outlasts the starter's current (the engine catches) is no second cranking. */
    if (phases->battery.state == BATTERY_CRANKING &&
        phases->battery.cranking_from_s > phases->released_s) {
        *cause = CAUSE_BATTERY;
        *at_s = phases->battery.cranking_from_s;
        return true;
    }
    if (edges_begin(phases, at_s)) {
        *cause = CAUSE_EDGES;
        return true;
    }
    bool nothing_else =
        !phases->has[USE_CURRENT] && !phases->has[USE_BATTERY] && !phases->has[USE_SIGNAL];
    if (nothing_else && any_on(phases, USE_REQUEST, at_s)) {
        *cause = CAUSE_REQUEST;
        return true;
    }
    return false;
}

static double newest_edge(const struct phases *phases) {
    double newest = -HUGE_VAL;
    for (size_t i = 0; i < phases->vehicle->channel_count; i++) {
        double last = turning_last_s(&phases->leads[i].turning);
        if (phases->leads[i].use == USE_SIGNAL && last > newest)
            newest = last;
    }
    return newest;
}

/* Has the starter let go? Then when. */
static bool cranking_ends(struct phases *phases, double *at_s) {
    double changed_s;
    bool current = any_on(phases, USE_CURRENT, &changed_s);
    if (current)
        phases->cause = CAUSE_CURRENT;
    const struct turning *turning;
    switch (phases->cause) {
    case CAUSE_CURRENT:
        *at_s = changed_s;
        return !current && phases->now_s - changed_s >= CURRENT_HOLD_S;
    case CAUSE_BATTERY:
        *at_s = phases->battery.cranking_to_s;
        return phases->battery.state != BATTERY_CRANKING;
    case CAUSE_EDGES:
        turning = best_turning(phases);
        *at_s = turning == NULL ? newest_edge(phases) : phases->now_s;
        return turning == NULL ||
               turning_speed(turning, phases->limits.running_speed) == SPEED_RUNNING;
    case CAUSE_REQUEST:
        return !any_on(phases, USE_REQUEST, at_s);
    }
    return false;
}

/* Slower than the starter turned it: it coasts to its stop. */
static bool runs_down(const struct turning *turning) {
    return turning_rate(turning) < COASTING_SHARE * turning->cranking_rate;
}

/* Does the engine run by itself, as far as anything tells? */
static bool runs(struct phases *phases) {
    const struct turning *turning = best_turning(phases);
    bool charging = charges(phases);
    bool rose = charging && phases->released_s > -HUGE_VAL &&
                phases->battery.level > phases->battery.cranking_rest + 0.3;
    phases->by_charging = false;
    if (turning != NULL) {
        enum speed speed = turning_speed(turning, phases->limits.running_speed);
        bool persists =
            phases->released_s > -HUGE_VAL &&
            turning_last_s(turning) - phases->released_s > phases->limits.started_hold &&
            turning->since_s < phases->released_s && !runs_down(turning);
        bool fast = speed == SPEED_RUNNING &&
                    (phases->now_s - phases->released_s > JUST_RELEASED_S ||
                     turning_runs_since(turning, phases->released_s, phases->now_s,
                                        phases->limits.running_speed));
        return fast || persists || phases->phase == PHASE_RUNNING ||
               (charging && !runs_down(turning)) ||
               (rose && phases->now_s - phases->released_s > COASTS_S);
    }
    /* Where edges came until the release, their end tells; where they did not, the battery does. */
    phases->by_charging = rose && newest_edge(phases) < phases->released_s - RELEASE_WAIT_S;
    return phases->by_charging;
}

static void learn_swing(struct phases *phases, size_t channel, bool begins) {
    struct lead *lead = &phases->leads[channel];
    size_t sensor = vehicle_sensor_of_channel(phases->vehicle, channel);
    if (phases->vehicle->sensors[sensor].kind != SENSOR_INDUCTIVE)
        return;
    lead->cranking_swing = begins ? lead->swing : fmax(lead->swing, lead->cranking_swing);
}

static void learn_speeds(struct phases *phases) {
    bool begins = phases->learn_from_s < 0.0;
    for (size_t i = 0; i < phases->vehicle->channel_count; i++) {
        struct lead *lead = &phases->leads[i];
        if (lead->use != USE_SIGNAL)
            continue;
        if (phases->now_s - phases->phase_s < RESTART_S)
            turning_restart(&lead->turning, phases->phase_s);
        if (!turning_now(&lead->turning, phases->now_s))
            continue;
        if (begins || phases->now_s - lead->turning.since_s < LEARN_FOR_S)
            turning_learn_cranking(&lead->turning, begins);
        learn_swing(phases, i, begins);
        phases->learn_from_s = phases->now_s;
    }
}

static void decide_cranking(struct phases *phases) {
    double at_s = phases->now_s;
    if (phases->has[USE_SIGNAL])
        learn_speeds(phases);
    if (!cranking_ends(phases, &at_s))
        return;
    phases->released_s = at_s;
    phases->settled = false;
}

/* The starter has let go a moment ago: is the next phase clear yet? */
static void decide_release(struct phases *phases) {
    if (runs(phases)) {
        enter(phases, PHASE_RUNNING, phases->released_s);
        phases->settled = true;
    } else if (phases->now_s - phases->released_s >= RELEASE_WAIT_S) {
        double since_s;
        enter(phases, key_phase(phases, &since_s), phases->released_s);
        phases->settled = true;
    }
}

static void decide_resting(struct phases *phases) {
    enum cause cause;
    double at_s;
    if (cranking_begins(phases, &cause, &at_s)) {
        phases->cause = cause;
        phases->learn_from_s = -1.0;
        phases->settled = true;
        enter(phases, PHASE_CRANKING, at_s);
        return;
    }
    if (runs(phases)) {
        enter(phases, PHASE_RUNNING, phases->now_s);
        return;
    }
    double since_s;
    enum phase next = key_phase(phases, &since_s);
    if (phases->phase == PHASE_RUNNING && next != PHASE_KEY_OFF) {
        double last = newest_edge(phases);
        since_s = last > phases->phase_s ? last : phases->now_s;
    }
    enter(phases, next, since_s);
}

static void decide(struct phases *phases) {
    if (!phases->settled)
        decide_release(phases);
    else if (phases->phase == PHASE_CRANKING)
        decide_cranking(phases);
    else
        decide_resting(phases);
}

/* --- Samples ---------------------------------------------------------------------------- */

static double average_of(const struct scale *scale, const int32_t *counts, size_t count) {
    int64_t sum = 0;
    for (size_t i = 0; i < count; i++)
        sum += counts[i];
    return scale_value(scale, (double)sum / (double)count);
}

static size_t scans_in(double length_s, double period_s) {
    double scans = length_s / period_s;
    return scans < 1.0 ? 1 : (size_t)scans;
}

static void push_battery(struct phases *phases, const struct scale *scale, const int32_t *counts,
                         size_t count, double time_s, double period_s) {
    double changed_s;
    bool asked = any_on(phases, USE_REQUEST, &changed_s);
    bool key_off = phases->has[USE_IGNITION] && !any_on(phases, USE_IGNITION, &changed_s);
    size_t most = scans_in(BATTERY_SLICE_S, period_s);
    for (size_t i = 0; i < count; i += most) {
        size_t length = count - i < most ? count - i : most;
        double middle = time_s + period_s * ((double)i + 0.5 * (double)(length - 1));
        battery_push(&phases->battery, average_of(scale, counts + i, length), middle,
                     (double)length * period_s, asked, key_off);
    }
}

/* The clamp's zero drifts: followed while nothing like a starter's current flows. */
static void push_current(struct lead *lead, double amperes, double at_s, double length_s) {
    if (!lead->line.seen && fabs(amperes) < lead->line.off_below)
        lead->zero = amperes;
    double above_zero = fabs(amperes - lead->zero);
    line_push(&lead->line, above_zero, at_s);
    if (above_zero < lead->line.off_below)
        lead->zero += (amperes - lead->zero) * fmin(length_s, 1.0);
}

static void take_edge(void *context, const struct edge *edge) {
    struct lead *lead = context;
    bool first = lead->swing <= 0.0;
    lead->swing += (edge->swing - lead->swing) * (first ? 1.0 : SWING_WEIGHT);
    turning_edge(&lead->turning, edge->at_s);
}

static void push_lead(struct phases *phases, size_t channel, const int32_t *counts, size_t count,
                      double time_s, double period_s) {
    struct lead *lead = &phases->leads[channel];
    const struct scale *scale = &phases->vehicle->channels[channel].scale;
    double middle = time_s + 0.5 * period_s * (double)(count - 1);
    switch (lead->use) {
    case USE_NONE:
        break;
    case USE_BATTERY:
        push_battery(phases, scale, counts, count, time_s, period_s);
        break;
    case USE_CURRENT:
        push_current(lead, average_of(scale, counts, count), middle, (double)count * period_s);
        break;
    case USE_IGNITION:
    case USE_REQUEST:
    case USE_FEED:
        line_push(&lead->line, average_of(scale, counts, count), middle);
        break;
    case USE_SIGNAL:
        edges_push(lead->edges, counts, count, time_s, period_s, take_edge, lead);
        break;
    }
}

static void push_slice(struct phases *phases, const struct record_run *run, size_t first,
                       size_t count) {
    double time_s = run->time_s + run->period_s * (double)first;
    for (size_t i = 0; i < phases->vehicle->channel_count; i++) {
        const struct vehicle_channel *channel = &phases->vehicle->channels[i];
        if (channel->stream == run->stream && channel->input < run->inputs)
            push_lead(phases, i, run->counts[channel->input] + first, count, time_s, run->period_s);
    }
    double end_s = time_s + run->period_s * (double)count;
    if (end_s > phases->now_s) {
        phases->now_s = end_s;
        decide(phases);
    }
}

/* Does anything on this stream tell a phase? Else its time does not either, nor does it wait. */
static bool tells(const struct phases *phases, size_t stream) {
    for (size_t i = 0; i < phases->vehicle->channel_count; i++)
        if (phases->vehicle->channels[i].stream == stream && phases->leads[i].use != USE_NONE)
            return true;
    return false;
}

/* Samples of this stream are missing: nothing is followed across the hole. */
static void break_leads(struct phases *phases, size_t stream) {
    for (size_t i = 0; i < phases->vehicle->channel_count; i++) {
        if (phases->vehicle->channels[i].stream != stream)
            continue;
        if (phases->leads[i].use == USE_SIGNAL)
            edges_break(phases->leads[i].edges);
        else if (phases->leads[i].use == USE_BATTERY)
            battery_break(&phases->battery);
    }
}

void phases_push(struct phases *phases, const struct record_run *run) {
    if (!phases->begun) {
        phases->begun = true;
        phases->first_s = run->time_s;
        phases->now_s = run->time_s;
        phases->phase_s = run->time_s;
    }
    if (!tells(phases, run->stream))
        return;
    if (run->after_loss)
        break_leads(phases, run->stream);
    size_t most = scans_in(SLICE_S, run->period_s);
    for (size_t i = 0; i < run->scans; i += most)
        push_slice(phases, run, i, run->scans - i < most ? run->scans - i : most);
}

void phases_finish(struct phases *phases) {
    if (!phases->begun || phases->settled)
        return;
    phases->now_s = phases->released_s + RELEASE_WAIT_S;
    decide_release(phases);
}
