// SPDX-License-Identifier: Apache-2.0
/*
 * rotation.c - claims of what tells something, laid over each other; speeds of turns.
 */
#include "rotation.h"

#include "sorted.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define FEWEST_PULSES    4
#define SHORTEST_S       0.05 /* a burst of glitches is shorter */
#define RECENT           8
#define PAUSE_INTERVALS  6.0 /* a tooth gap is three intervals, compression stretches it */
#define PAUSE_LEAST_S    0.1
#define PAUSE_MOST_S     0.9
#define INERTIA_RPM      100.0
#define INERTIA_TURNS    2.0
#define INERTIA_S        0.5 /* where the wheel is not known; common practice, no source */
#define SHARE_OF_PITCH   0.3
#define SHARE_OF_BREAK   0.05 /* so much the speed may change from turn to turn */
#define SAME_RATE        2.0
#define MOST_TURNS       256
#define WHOLE_OFF        0.2
#define FEWEST_CYLINDERS 2
#define MOST_CYLINDERS   12
#define SETTLED_S        0.2
#define LOCKED_S         0.5 /* all of locking: common practice, no source */
#define LOCKED_FLAT      0.15
#define LOCKED_SURGE     0.67

struct rotation {
    struct rotation_evidence evidence;
    struct rotation_sensor *sensors;
    struct rotation_ripple *ripples;
    size_t claim_count, claim_room;
    struct rotation_stretch *claims; /* in any order, overlapping */
    size_t stretch_count;
    struct rotation_stretch *stretches;
    bool short_of_memory;
};

const char *rotation_state_name(enum rotation_state state) {
    switch (state) {
    case ROTATION_TURNING:
        return "turning";
    case ROTATION_NOT_TURNING:
        return "not-turning";
    case ROTATION_UNKNOWN:
        break;
    }
    return "unknown";
}

const char *rotation_source_name(enum rotation_source source) {
    switch (source) {
    case ROTATION_BY_EDGES:
        return "edges";
    case ROTATION_BY_RIPPLE:
        return "compressions";
    case ROTATION_BY_INERTIA:
        return "inertia";
    case ROTATION_BY_CURRENT:
        return "starter-current";
    case ROTATION_BY_REQUEST:
        return "start-request";
    case ROTATION_BY_NOTHING:
        break;
    }
    return NULL;
}

/* --- Claims ----------------------------------------------------------------------------- */

static void claim(struct rotation *rotation, struct rotation_stretch added) {
    added.from_s = fmax(added.from_s, rotation->evidence.from_s);
    added.to_s = fmin(added.to_s, rotation->evidence.to_s);
    if (!(added.to_s > added.from_s))
        return;
    if (rotation->claim_count == rotation->claim_room) {
        size_t room = rotation->claim_room * 2 + 32;
        struct rotation_stretch *claims = realloc(rotation->claims, room * sizeof *claims);
        if (claims == NULL) {
            rotation->short_of_memory = true;
            return;
        }
        rotation->claims = claims;
        rotation->claim_room = room;
    }
    rotation->claims[rotation->claim_count++] = added;
}

static void claim_turning(struct rotation *rotation, double from_s, double to_s,
                          enum rotation_source source, size_t channel) {
    claim(rotation, (struct rotation_stretch){from_s, to_s, ROTATION_TURNING, source, channel});
}

/* A row of pulses without a pause, [first, last]. */
struct row {
    size_t first, last;
};

/* How many of `available` intervals make a mean: a whole turn where that is known and there. */
static size_t averaged(const struct rotation_sensor *sensor, size_t available) {
    size_t wanted = sensor->turn_pulses > RECENT ? sensor->turn_pulses : RECENT;
    return available < wanted ? available : wanted;
}

/* Mean of the intervals of a row up to its pulse `at`. */
static double interval_before(const struct rotation_sensor *sensor, size_t first, size_t at) {
    size_t count = averaged(sensor, at - first);
    return (sensor->pulses[at].at_s - sensor->pulses[at - count].at_s) / (double)count;
}

/* Mean of the intervals of a row from its pulse `at` on. */
static double interval_behind(const struct rotation_sensor *sensor, size_t at, size_t last) {
    size_t count = averaged(sensor, last - at);
    return (sensor->pulses[at + count].at_s - sensor->pulses[at].at_s) / (double)count;
}

/* Longest time between two pulses that is no pause, behind pulse `at` of a row. */
static double pause_s(const struct rotation_sensor *sensor, size_t first, size_t at) {
    if (at < first + FEWEST_PULSES - 1)
        return PAUSE_MOST_S;
    double pause = PAUSE_INTERVALS * interval_before(sensor, first, at);
    return fmin(fmax(pause, PAUSE_LEAST_S), PAUSE_MOST_S);
}

/* The next row that is one, from pulse `from` on. */
static bool next_row(const struct rotation_sensor *sensor, size_t from, struct row *row) {
    while (from < sensor->pulse_count) {
        size_t last = from;
        while (last + 1 < sensor->pulse_count &&
               sensor->pulses[last + 1].at_s - sensor->pulses[last].at_s <=
                   pause_s(sensor, from, last))
            last++;
        if (last - from + 1 >= FEWEST_PULSES &&
            sensor->pulses[last].at_s - sensor->pulses[from].at_s >= SHORTEST_S) {
            *row = (struct row){from, last};
            return true;
        }
        from = last + 1;
    }
    return false;
}

/* Length of a crank turn where its wheel's pulses are so far apart; NAN: not known. */
static double turn_s(const struct rotation_sensor *sensor, double interval_s) {
    return sensor->turn_pulses > 0 ? interval_s * (double)sensor->turn_pulses / sensor->crank_turns
                                   : (double)NAN;
}

/* Index of the first pulse at or behind a time. */
static size_t pulse_from(const struct rotation_sensor *sensor, double at_s) {
    size_t low = 0;
    size_t high = sensor->pulse_count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (sensor->pulses[middle].at_s >= at_s)
            high = middle;
        else
            low = middle + 1;
    }
    return low;
}

/*
 * Does the row behind begin where a pulse was due, by the last turn before the break? Over long
 * breaks of fine wheels the speed changes too much to tell: that is no objection.
 */
static bool is_in_phase(const struct rotation_sensor *sensor, const struct row *before,
                        const struct row *behind) {
    if (sensor->turn_pulses == 0 || before->last - before->first < sensor->turn_pulses)
        return true;
    double last_s = sensor->pulses[before->last].at_s;
    double turn = last_s - sensor->pulses[before->last - sensor->turn_pulses].at_s;
    double length_s = sensor->pulses[behind->first].at_s - last_s;
    double place_s = last_s + length_s - ceil(length_s / turn) * turn;
    size_t next = pulse_from(sensor, place_s);
    if (next == 0 || next > before->last)
        return true;
    double early_s = sensor->pulses[next].at_s - place_s;
    double late_s = place_s - sensor->pulses[next - 1].at_s;
    return fmin(early_s, late_s) <=
           fmax(SHARE_OF_PITCH * (early_s + late_s), SHARE_OF_BREAK * length_s);
}

/* Did the engine go on turning between two rows? */
static bool is_spanned(const struct rotation_sensor *sensor, const struct row *before,
                       const struct row *behind) {
    double length_s = sensor->pulses[behind->first].at_s - sensor->pulses[before->last].at_s;
    double old_s = interval_before(sensor, before->first, before->last);
    double new_s = interval_behind(sensor, behind->first, behind->last);
    double turn = turn_s(sensor, old_s);
    if (isnan(turn) ? length_s > INERTIA_S
                    : length_s > INERTIA_TURNS * turn || 60.0 / turn < INERTIA_RPM)
        return false;
    return new_s <= SAME_RATE * old_s && old_s <= SAME_RATE * new_s &&
           is_in_phase(sensor, before, behind);
}

static void claim_by_edges(struct rotation *rotation, const struct rotation_sensor *sensor) {
    struct row row;
    struct row before = {0, 0};
    bool first = true;
    for (size_t at = 0; next_row(sensor, at, &row); at = row.last + 1) {
        if (!first && is_spanned(sensor, &before, &row))
            claim_turning(rotation, sensor->pulses[before.last].at_s,
                          sensor->pulses[row.first].at_s, ROTATION_BY_INERTIA, sensor->channel);
        claim_turning(rotation, sensor->pulses[row.first].at_s, sensor->pulses[row.last].at_s,
                      ROTATION_BY_EDGES, sensor->channel);
        before = row;
        first = false;
    }
}

static void claim_by_ripple(struct rotation *rotation, const struct rotation_ripple *ripple) {
    const struct ripple_estimate *estimate = &ripple->estimate;
    if (estimate->answer != RIPPLE_SEEN)
        return;
    for (size_t i = 0; i < estimate->piece_count; i++)
        claim_turning(rotation, estimate->pieces[i].from_s, estimate->pieces[i].to_s,
                      ROTATION_BY_RIPPLE, ripple->channel);
    for (size_t i = 0; i < ripple->beat_count && ripple->beats[i].from_s < estimate->from_s; i++)
        claim_turning(rotation, ripple->beats[i].from_s, ripple->beats[i].to_s, ROTATION_BY_RIPPLE,
                      ripple->channel);
}

/* --- Stretches -------------------------------------------------------------------------- */

/* What the best claim between two neighbouring cuts says. */
static struct rotation_stretch best_claim(const struct rotation *rotation, double from_s,
                                          double to_s) {
    struct rotation_stretch best = {from_s, to_s, ROTATION_UNKNOWN, ROTATION_BY_NOTHING,
                                    CHANNEL_NONE};
    for (size_t i = 0; i < rotation->claim_count; i++) {
        const struct rotation_stretch *claimed = &rotation->claims[i];
        if (claimed->from_s > from_s || claimed->to_s < to_s || claimed->source >= best.source)
            continue;
        best.state = claimed->state;
        best.source = claimed->source;
        best.channel = claimed->channel;
    }
    return best;
}

static void add_stretch(struct rotation *rotation, struct rotation_stretch added) {
    if (rotation->stretch_count > 0) {
        struct rotation_stretch *last = &rotation->stretches[rotation->stretch_count - 1];
        if (last->state == added.state && last->source == added.source &&
            last->channel == added.channel) {
            last->to_s = added.to_s;
            return;
        }
    }
    rotation->stretches[rotation->stretch_count++] = added;
}

/* Cuts the window wherever a claim begins or ends. */
static int lay_out(struct rotation *rotation) {
    size_t count = 2 * rotation->claim_count + 2;
    double *cuts = malloc(count * sizeof *cuts);
    rotation->stretches = calloc(count, sizeof *rotation->stretches);
    if (cuts == NULL || rotation->stretches == NULL) {
        free(cuts);
        return -ENOMEM;
    }
    for (size_t i = 0; i < rotation->claim_count; i++) {
        cuts[2 * i] = rotation->claims[i].from_s;
        cuts[2 * i + 1] = rotation->claims[i].to_s;
    }
    cuts[count - 2] = rotation->evidence.from_s;
    cuts[count - 1] = rotation->evidence.to_s;
    sorted_order(cuts, count);
    for (size_t i = 1; i < count; i++)
        if (cuts[i] > cuts[i - 1])
            add_stretch(rotation, best_claim(rotation, cuts[i - 1], cuts[i]));
    free(cuts);
    return 0;
}

static void *copied(const void *from, size_t count, size_t size) {
    void *to = calloc(count + 1, size); /* of nothing, too */
    if (to != NULL && count > 0)
        memcpy(to, from, count * size);
    return to;
}

int rotation_new(const struct rotation_evidence *evidence, struct rotation **rotation) {
    struct rotation *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    int result = -ENOMEM;
    made->evidence = *evidence;
    made->sensors = copied(evidence->sensors, evidence->sensor_count, sizeof *made->sensors);
    made->ripples = copied(evidence->ripples, evidence->ripple_count, sizeof *made->ripples);
    if (made->sensors == NULL || made->ripples == NULL)
        goto failed;
    for (size_t i = 0; i < evidence->sensor_count; i++)
        claim_by_edges(made, &made->sensors[i]);
    for (size_t i = 0; i < evidence->ripple_count; i++)
        claim_by_ripple(made, &made->ripples[i]);
    for (size_t i = 0; i < evidence->still_count; i++) {
        const struct rotation_still *still = &evidence->stills[i];
        claim(made, (struct rotation_stretch){still->from_s, still->to_s, ROTATION_NOT_TURNING,
                                              still->source, still->channel});
    }
    if (made->short_of_memory || (result = lay_out(made)) != 0)
        goto failed;
    *rotation = made;
    return 0;

failed:
    rotation_free(made);
    return result;
}

void rotation_free(struct rotation *rotation) {
    if (rotation == NULL)
        return;
    free(rotation->sensors);
    free(rotation->ripples);
    free(rotation->claims);
    free(rotation->stretches);
    free(rotation);
}

const struct rotation_stretch *rotation_stretches(const struct rotation *rotation, size_t *count) {
    *count = rotation->stretch_count;
    return rotation->stretches;
}

struct rotation_stretch rotation_at(const struct rotation *rotation, double at_s) {
    for (size_t i = 0; i < rotation->stretch_count; i++) {
        const struct rotation_stretch *stretch = &rotation->stretches[i];
        if (at_s >= stretch->from_s && at_s < stretch->to_s)
            return *stretch;
    }
    return (struct rotation_stretch){at_s, at_s, ROTATION_UNKNOWN, ROTATION_BY_NOTHING,
                                     CHANNEL_NONE};
}

/* --- Speed ------------------------------------------------------------------------------ */

/* Does one row hold the whole turn behind a pulse? */
static bool is_whole(const struct rotation_sensor *sensor, size_t first) {
    size_t end = first + sensor->turn_pulses;
    double longest_s = 0.0;
    if (sensor->turn_pulses == 0 || end >= sensor->pulse_count)
        return false;
    double length_s = sensor->pulses[end].at_s - sensor->pulses[first].at_s;
    for (size_t i = first; i < end; i++)
        longest_s = fmax(longest_s, sensor->pulses[i + 1].at_s - sensor->pulses[i].at_s);
    double pause = PAUSE_INTERVALS * length_s / (double)sensor->turn_pulses;
    return longest_s <= fmin(fmax(pause, PAUSE_LEAST_S), PAUSE_MOST_S);
}

static double rpm_of_turn(const struct rotation_sensor *sensor, size_t first) {
    double length_s = sensor->pulses[first + sensor->turn_pulses].at_s - sensor->pulses[first].at_s;
    return 60.0 * sensor->crank_turns / length_s;
}

static void describe(double *rpm, size_t count, struct rotation_speed *speed) {
    sorted_order(rpm, count);
    speed->rpm = (rpm[(count - 1) / 2] + rpm[count / 2]) / 2.0;
    speed->low = rpm[0];
    speed->high = rpm[count - 1];
}

static bool speed_by_edges(const struct rotation_sensor *sensor, double from_s, double to_s,
                           struct rotation_speed *speed) {
    double rpm[MOST_TURNS];
    size_t count = 0;
    size_t first = pulse_from(sensor, from_s);
    size_t end = pulse_from(sensor, to_s);
    if (sensor->turn_pulses == 0)
        return false;
    size_t step = (end - first) / MOST_TURNS + 1;
    for (size_t i = first; i + sensor->turn_pulses < end && count < MOST_TURNS; i += step)
        if (is_whole(sensor, i))
            rpm[count++] = rpm_of_turn(sensor, i);
    if (count == 0)
        return false;
    describe(rpm, count, speed);
    speed->source = ROTATION_BY_EDGES;
    speed->channel = sensor->channel;
    return true;
}

static bool speed_by_ripple(const struct rotation *rotation, const struct rotation_ripple *ripple,
                            double from_s, double to_s, struct rotation_speed *speed) {
    const struct ripple_estimate *estimate = &ripple->estimate;
    double rpm[RIPPLE_PIECES];
    size_t count = 0;
    for (size_t i = 0; i < estimate->piece_count; i++) {
        const struct ripple_piece *piece = &estimate->pieces[i];
        double middle_s = (piece->from_s + piece->to_s) / 2.0;
        if (middle_s >= from_s && middle_s < to_s)
            rpm[count++] = ripple_rpm(piece->hertz, rotation->evidence.cylinders);
    }
    if (count == 0 || rotation->evidence.cylinders == 0)
        return false;
    describe(rpm, count, speed);
    speed->source = ROTATION_BY_RIPPLE;
    speed->channel = ripple->channel;
    return true;
}

bool rotation_speed(const struct rotation *rotation, double from_s, double to_s,
                    struct rotation_speed *speed) {
    for (size_t i = 0; i < rotation->evidence.sensor_count; i++)
        if (speed_by_edges(&rotation->sensors[i], from_s, to_s, speed))
            return true;
    for (size_t i = 0; i < rotation->evidence.ripple_count; i++)
        if (speed_by_ripple(rotation, &rotation->ripples[i], from_s, to_s, speed))
            return true;
    return false;
}

static void set_speed(double rpm, enum rotation_source source, size_t channel,
                      struct rotation_speed *speed) {
    *speed = (struct rotation_speed){rpm, rpm, rpm, source, channel};
}

/* The turn whose middle pulse is the last before a moment, or as near as the row's ends allow. */
static bool edges_at(const struct rotation_sensor *sensor, double at_s,
                     struct rotation_speed *speed) {
    size_t behind = pulse_from(sensor, at_s);
    size_t turn = sensor->turn_pulses;
    for (size_t back = turn / 2; turn > 0 && back <= turn; back++) {
        for (int side = 0; side < 2; side++) {
            size_t steps = side == 0 ? back : turn - back;
            if (steps == 0 || behind < steps || !is_whole(sensor, behind - steps))
                continue;
            set_speed(rpm_of_turn(sensor, behind - steps), ROTATION_BY_EDGES, sensor->channel,
                      speed);
            return true;
        }
    }
    return false;
}

static bool ripple_at(const struct rotation *rotation, const struct rotation_ripple *ripple,
                      double at_s, struct rotation_speed *speed) {
    const struct ripple_estimate *estimate = &ripple->estimate;
    double nearest_s = HUGE_VAL;
    double hertz = (double)NAN;
    for (size_t i = 0; i < ripple->beat_count; i++) {
        const struct ripple_beat *beat = &ripple->beats[i];
        if (at_s >= beat->from_s && at_s < beat->to_s)
            hertz = 1.0 / (beat->to_s - beat->from_s);
    }
    for (size_t i = 0; i < estimate->piece_count; i++) {
        const struct ripple_piece *piece = &estimate->pieces[i];
        double away_s = fabs(at_s - (piece->from_s + piece->to_s) / 2.0);
        if (at_s < piece->from_s || at_s >= piece->to_s || away_s >= nearest_s)
            continue;
        nearest_s = away_s;
        hertz = piece->hertz;
    }
    double rpm = ripple_rpm(hertz, rotation->evidence.cylinders);
    if (isnan(rpm))
        return false;
    set_speed(rpm, ROTATION_BY_RIPPLE, ripple->channel, speed);
    return true;
}

bool rotation_speed_at(const struct rotation *rotation, double at_s, struct rotation_speed *speed) {
    for (size_t i = 0; i < rotation->evidence.sensor_count; i++)
        if (edges_at(&rotation->sensors[i], at_s, speed))
            return true;
    for (size_t i = 0; i < rotation->evidence.ripple_count; i++)
        if (ripple_at(rotation, &rotation->ripples[i], at_s, speed))
            return true;
    return false;
}

/* --- Cylinders -------------------------------------------------------------------------- */

/* Speed by edges in a piece, of the first sensor that tells one. */
static bool rpm_in(const struct rotation *rotation, const struct ripple_piece *piece, double *rpm) {
    struct rotation_speed speed;
    for (size_t i = 0; i < rotation->evidence.sensor_count; i++) {
        if (speed_by_edges(&rotation->sensors[i], piece->from_s, piece->to_s, &speed)) {
            *rpm = speed.rpm;
            return true;
        }
    }
    return false;
}

unsigned rotation_cylinders(const struct rotation *rotation) {
    size_t votes[MOST_CYLINDERS + 1] = {0};
    size_t both = 0;
    for (size_t k = 0; k < rotation->evidence.ripple_count; k++) {
        const struct ripple_estimate *estimate = &rotation->ripples[k].estimate;
        for (size_t i = 0; i < estimate->piece_count; i++) {
            double rpm;
            if (!rpm_in(rotation, &estimate->pieces[i], &rpm))
                continue;
            both++;
            double cylinders = 120.0 * estimate->pieces[i].hertz / rpm;
            double whole = rint(cylinders);
            if (whole >= FEWEST_CYLINDERS && whole <= MOST_CYLINDERS &&
                fabs(cylinders - whole) <= WHOLE_OFF)
                votes[(size_t)whole]++;
        }
    }
    for (unsigned i = FEWEST_CYLINDERS; i <= MOST_CYLINDERS; i++)
        if (votes[i] >= 2 && 2 * votes[i] > both)
            return i;
    return 0;
}

/* --- A starter that cannot turn ---------------------------------------------------------- */

bool rotation_locked(const struct ripple *current, double engaged_s, double released_s,
                     double least_current, struct rotation_still *still) {
    double from_s = engaged_s + SETTLED_S;
    double lowest;
    double average;
    double highest;
    double surge;
    double unused;
    if (!(released_s - from_s >= LOCKED_S) ||
        !ripple_level(current, engaged_s, from_s, &unused, &unused, &surge) ||
        !ripple_level(current, from_s, released_s, &lowest, &average, &highest))
        return false;
    if (average < least_current || average < LOCKED_SURGE * surge ||
        highest - lowest > LOCKED_FLAT * average)
        return false;
    *still =
        (struct rotation_still){from_s, released_s, ROTATION_BY_CURRENT, ripple_channel(current)};
    return true;
}
