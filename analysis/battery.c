// SPDX-License-Identifier: Apache-2.0
/*
 * battery.c - rest, fall, surge, ripple and recovery of the battery, a few milliseconds at a time.
 */
#include "battery.h"

#include <math.h>
#include <string.h>

/* Times of the shapes looked for; a starter's surge is over within a tenth of a second. */
#define FALL_TIME_S       0.06  /* a starter pulls the battery down at least this fast */
#define DEEP_TIME_S       0.003 /* so long below the surge limit is no spike */
#define SURGE_TIME_S      0.07  /* by then the surge of a motor has eased */
#define SURGE_OVER_S      0.1   /* from here on the battery shows the load of turning the engine */
#define SURGE_RECENT_S    0.02
#define BACK_TIME_S       0.1 /* so long up again: the starter has let go */
#define REST_MEMORY_S     0.2
#define LEVEL_MEMORY_S    0.3
#define SAG_MEMORY_S      0.25
#define LONGEST_CRANK_S   120.0 /* a load that stays for ever is none */
#define RIPPLE_WAIT_S     2.0
#define RIPPLE_SMOOTH_S   0.008
#define RIPPLE_SHORTEST_S 0.025 /* half a period: 20 Hz, faster than any compression */
#define RIPPLE_LONGEST_S  0.3
#define RIPPLE_TURNS      6

/* Shares of the sag. */
#define SHARE_EASED 0.7 /* a surge has eased to this share of its depth */
#define SHARE_START 0.2 /* of the smallest sag: here a fall begins */
#define SHARE_SPIKE 0.7 /* of the smallest sag: less is left of a spike, or of a lamp's inrush */
#define SHARE_BACK  0.3 /* of the cranking's own sag: less is a recovery */

/* Shares of the system's nominal volts. */
#define SHARE_UNSEEN 0.12 /* below: the lead or the battery is off, nothing can be told */
#define SHARE_LOADED 0.94 /* a record that begins lower may begin inside a cranking */
#define SHARE_RESTED 1.03
#define SHARE_RIPPLE 0.004 /* half of the smallest ripple that counts */

void battery_init(struct battery *battery, const struct limits *limits, double system_volts) {
    memset(battery, 0, sizeof *battery);
    battery->limits = limits;
    battery->system_volts = system_volts;
    battery->cranking_rest = (double)NAN;
    battery->rest = (double)NAN;
}

void battery_break(struct battery *battery) {
    battery->remembered = 0;
}

static void remember(struct battery *battery, double volts, double at_s) {
    battery->newest = (battery->newest + 1) % BATTERY_MEMORY;
    battery->volts[battery->newest] = volts;
    battery->times[battery->newest] = at_s;
    if (battery->remembered < BATTERY_MEMORY)
        battery->remembered++;
}

/* Position of the average `back` steps before the newest. */
static size_t earlier(const struct battery *battery, size_t back) {
    return (battery->newest + BATTERY_MEMORY - back) % BATTERY_MEMORY;
}

/* How far `volts` moves in one step of an average over `memory_s`. */
static double share(double length_s, double memory_s) {
    return length_s < memory_s ? length_s / memory_s : 1.0;
}

/* The moment the fall that is seen now began, or NAN where it was too slow for a starter. */
static double fall_start(const struct battery *battery) {
    double start = battery->rest - SHARE_START * battery->limits->cranking_sag;
    double now = battery->times[battery->newest];
    for (size_t back = 1; back < battery->remembered; back++) {
        size_t before = earlier(battery, back);
        size_t after = earlier(battery, back - 1);
        if (battery->volts[before] < start)
            continue;
        if (back > 2 && now - battery->times[after] > FALL_TIME_S)
            return (double)NAN;
        double part =
            (battery->volts[before] - start) / (battery->volts[before] - battery->volts[after]);
        return battery->times[before] + part * (battery->times[after] - battery->times[before]);
    }
    return battery->remembered <= 1 ? now : (double)NAN;
}

static double recent_average(const struct battery *battery, double for_s) {
    double now = battery->times[battery->newest];
    double sum = 0.0;
    size_t count = 0;
    while (count < battery->remembered) {
        size_t i = earlier(battery, count);
        if (count > 0 && now - battery->times[i] > for_s)
            break;
        sum += battery->volts[i];
        count++;
    }
    return sum / (double)count;
}

static void begin_cranking(struct battery *battery, double from_s, double rest) {
    battery->state = BATTERY_CRANKING;
    battery->cranking_from_s = from_s;
    battery->cranking_rest = rest;
    battery->sagged_by = 0.0;
    battery->back_for_s = 0.0;
    battery->ripple_wanted = false;
}

static void want_ripple(struct battery *battery, double rest, double from_s) {
    battery->ripple_wanted = true;
    battery->ripple_rest = rest;
    battery->ripple_from_s = from_s;
    battery->ripple_smooth = battery->volts[battery->newest];
    battery->ripple_turns = 0;
    battery->ripple_turned_s = battery->times[battery->newest];
}

/* Counts regular swings about the level; enough of them are an engine's compressions. */
static void look_for_ripple(struct battery *battery, double volts, double at_s, double length_s,
                            bool key_off) {
    if (!battery->ripple_wanted)
        return;
    battery->ripple_smooth += (volts - battery->ripple_smooth) * share(length_s, RIPPLE_SMOOTH_S);
    double swing = battery->ripple_smooth - battery->level;
    double least = SHARE_RIPPLE * battery->system_volts;
    if (battery->ripple_above ? swing < -least : swing > least) {
        double half_period = at_s - battery->ripple_turned_s;
        bool regular = half_period >= RIPPLE_SHORTEST_S && half_period <= RIPPLE_LONGEST_S;
        battery->ripple_turns = regular ? battery->ripple_turns + 1 : 0;
        battery->ripple_above = !battery->ripple_above;
        battery->ripple_turned_s = at_s;
    }
    if (battery->ripple_turns >= RIPPLE_TURNS && !key_off) {
        battery->lowest = battery->level;
        begin_cranking(battery, battery->ripple_from_s, battery->ripple_rest);
    } else if (at_s - battery->ripple_from_s > RIPPLE_WAIT_S) {
        battery->ripple_wanted = false;
    }
}

static void at_rest(struct battery *battery, double volts, double at_s, double length_s,
                    bool key_off) {
    double drop = battery->rest - volts;
    if (drop < battery->limits->cranking_sag) {
        battery->rest -= drop * share(length_s, REST_MEMORY_S);
        look_for_ripple(battery, volts, at_s, length_s, key_off);
        return;
    }
    double from_s = fall_start(battery);
    if (isnan(from_s)) {
        battery->rest = volts; /* a slow decline is no starter */
        return;
    }
    battery->state = BATTERY_FALLING;
    battery->fell_s = from_s;
    battery->lowest = volts;
    battery->deep_for_s = 0.0;
}

static void falling(struct battery *battery, double volts, double at_s, double length_s, bool asked,
                    bool key_off) {
    double drop = battery->rest - volts;
    if (volts < battery->lowest)
        battery->lowest = volts;
    if (drop >= battery->limits->cranking_inrush)
        battery->deep_for_s += length_s;
    if (battery->deep_for_s >= DEEP_TIME_S || (asked && drop >= battery->limits->cranking_sag)) {
        begin_cranking(battery, battery->fell_s, battery->rest);
        return;
    }
    if (at_s - battery->fell_s < SURGE_TIME_S)
        return;
    double left = battery->rest - recent_average(battery, SURGE_RECENT_S);
    double depth = battery->rest - battery->lowest;
    if (left < SHARE_SPIKE * battery->limits->cranking_sag) {
        battery->state = BATTERY_AT_REST;
    } else if (left <= SHARE_EASED * depth && !key_off) {
        begin_cranking(battery, battery->fell_s, battery->rest);
    } else {
        want_ripple(battery, battery->rest, battery->fell_s);
        battery->rest = volts;
        battery->state = BATTERY_AT_REST;
    }
}

static void end_cranking(struct battery *battery, double at_s, double volts) {
    battery->state = BATTERY_AT_REST;
    battery->cranking_to_s = at_s;
    battery->rest = volts;
}

/* The moment the battery rose above `level` on its way to the newest average. */
static double rise_time(const struct battery *battery, double level) {
    size_t after = battery->newest;
    size_t before = earlier(battery, 1);
    double rise = battery->volts[after] - battery->volts[before];
    if (battery->remembered < 2 || rise <= 0.0 || battery->volts[before] > level)
        return battery->times[after];
    double part = (level - battery->volts[before]) / rise;
    return battery->times[before] + part * (battery->times[after] - battery->times[before]);
}

static void cranking(struct battery *battery, double volts, double at_s, double length_s) {
    double drop = battery->cranking_rest - volts;
    if (volts < battery->lowest)
        battery->lowest = volts;
    double back =
        fmax(SHARE_BACK * battery->sagged_by, SHARE_START * battery->limits->cranking_sag);
    if (drop < back) {
        if (battery->back_for_s == 0.0)
            battery->back_from_s = rise_time(battery, battery->cranking_rest - back);
        battery->back_for_s += length_s;
        if (battery->back_for_s >= BACK_TIME_S)
            end_cranking(battery, battery->back_from_s, volts);
        return;
    }
    battery->back_for_s = 0.0;
    if (at_s - battery->cranking_from_s > SURGE_OVER_S) {
        double part = battery->sagged_by > 0.0 ? share(length_s, SAG_MEMORY_S) : 1.0;
        battery->sagged_by += (drop - battery->sagged_by) * part;
    }
    if (at_s - battery->cranking_from_s > LONGEST_CRANK_S)
        end_cranking(battery, at_s, volts);
}

/* The first average: what is known before anything was seen. */
static void first_seen(struct battery *battery, double volts, double at_s) {
    battery->state = BATTERY_AT_REST;
    battery->rest = volts;
    battery->level = volts;
    if (volts < SHARE_LOADED * battery->system_volts)
        want_ripple(battery, SHARE_RESTED * battery->system_volts, at_s);
}

static void follow_charging(struct battery *battery, double length_s) {
    double level = battery->limits->charging_level;
    if (battery->level >= level && battery->state == BATTERY_AT_REST)
        battery->charging_for_s += length_s;
    else
        battery->charging_for_s = 0.0;
}

void battery_push(struct battery *battery, double volts, double at_s, double length_s, bool asked,
                  bool key_off) {
    remember(battery, volts, at_s);
    if (volts < SHARE_UNSEEN * battery->system_volts) {
        if (battery->state == BATTERY_CRANKING)
            battery->cranking_to_s = at_s;
        battery->state = BATTERY_UNSEEN;
        battery->ripple_wanted = false;
        battery->charging_for_s = 0.0;
        return;
    }
    if (battery->state == BATTERY_UNSEEN)
        first_seen(battery, volts, at_s);
    battery->level += (volts - battery->level) * share(length_s, LEVEL_MEMORY_S);
    follow_charging(battery, length_s);
    switch (battery->state) {
    case BATTERY_UNSEEN:
    case BATTERY_AT_REST:
        at_rest(battery, volts, at_s, length_s, key_off);
        break;
    case BATTERY_FALLING:
        falling(battery, volts, at_s, length_s, asked, key_off);
        break;
    case BATTERY_CRANKING:
        cranking(battery, volts, at_s, length_s);
        break;
    }
}

void battery_confirm(struct battery *battery) {
    if (battery->ripple_wanted)
        begin_cranking(battery, battery->ripple_from_s, battery->ripple_rest);
}
