// SPDX-License-Identifier: Apache-2.0
/*
 * order.c - intervals, and what hangs on what.
 */
#include "order.h"

#include <string.h>

static bool is(const struct candidate *candidate, const char *circuit) {
    return strcmp(fault_circuit(candidate->fault), circuit) == 0;
}

/* Does that sensor's working rest on what the candidate is about? */
static bool rests_on(const struct vehicle *vehicle, size_t sensor,
                     const struct candidate *candidate) {
    if (sensor == CHANNEL_NONE || candidate->channel == CHANNEL_NONE)
        return false;
    const struct vehicle_sensor *of = &vehicle->sensors[sensor];
    return of->feed == candidate->channel || of->ret == candidate->channel ||
           of->signal == candidate->channel;
}

/* A sensor whose signal, feed or return `channel` is shares this lead. */
static bool share_sensor(const struct vehicle *vehicle, const struct candidate *one,
                         const struct candidate *other) {
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        if (rests_on(vehicle, i, one) && rests_on(vehicle, i, other))
            return true;
    }
    return false;
}

static bool is_crank_sensor(const struct vehicle *vehicle, const struct candidate *candidate) {
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        if (vehicle->sensors[i].shaft == SHAFT_CRANK && rests_on(vehicle, i, candidate))
            return true;
    }
    return false;
}

bool order_takes_along(const struct vehicle *vehicle, const struct candidate *cause,
                       const struct candidate *effect) {
    if (cause->whole_hookup)
        return true;
    if (is(cause, "hookup"))
        return share_sensor(vehicle, cause, effect) || cause->channel == effect->channel;
    if (is(cause, "supply") || is(cause, "ground"))
        return !is(effect, "battery") && !is(effect, "starter") && !is(effect, "hookup");
    if (is(cause, "battery"))
        return is(effect, "starter") || is(effect, "feed") || is(effect, "supply") ||
               is(effect, "battery") || is(effect, "signal") || is(effect, "command");
    if (is(cause, "feed"))
        return (is(effect, "signal") && share_sensor(vehicle, cause, effect)) ||
               (is(effect, "command") && is_crank_sensor(vehicle, cause));
    if (is(cause, "return"))
        return ((is(effect, "signal") || is(effect, "feed")) &&
                share_sensor(vehicle, cause, effect)) ||
               (is(effect, "command") && is_crank_sensor(vehicle, cause));
    if (is(cause, "signal"))
        return is(effect, "command") ||
               (is(effect, "signal") &&
                (cause->channel == effect->channel || effect->fault == FAULT_OUT_OF_STEP));
    return false;
}

bool order_before(const struct candidate *one, const struct candidate *other) {
    return one->from_until_s < other->from_s;
}

/* Pulses missing from a wheel that was learnt from them say little beside a circuit that fell. */
static bool is_doubtful(const struct candidate *effect) {
    return effect->fault == FAULT_SIGNAL_GAPS && effect->certainty < CERTAINTY_SHOWN;
}

/* A signal that was missing before its feed fell was not taken along by it. */
static bool taken_along(const struct vehicle *vehicle, const struct candidates *candidates,
                        const struct candidate *effect) {
    for (size_t i = 0; i < candidates->count; i++) {
        const struct candidate *cause = &candidates->list[i];
        if (cause != effect && order_takes_along(vehicle, cause, effect) &&
            !(order_takes_along(vehicle, effect, cause) && cause->fault > effect->fault) &&
            (is(cause, "hookup") || cause->standing || effect->standing || is_doubtful(effect) ||
             !order_before(effect, cause)))
            return true;
    }
    return false;
}

/* Is `one` the better answer of two that are not taken along? */
static bool is_better(const struct candidate *one, const struct candidate *than) {
    bool lead = is(one, "hookup");
    if (lead != is(than, "hookup"))
        return !lead; /* the lead that suspicion rests on says nothing of this circuit */
    if (order_before(one, than))
        return true;
    return !order_before(than, one) && one->fault < than->fault;
}

const struct candidate *order_first(const struct vehicle *vehicle,
                                    const struct candidates *candidates, bool *open) {
    const struct candidate *first = NULL;
    *open = false;
    for (size_t i = 0; i < candidates->count; i++) {
        const struct candidate *candidate = &candidates->list[i];
        if (!taken_along(vehicle, candidates, candidate) &&
            (first == NULL || is_better(candidate, first)))
            first = candidate;
    }
    if (first == NULL && candidates->count > 0)
        first = &candidates->list[0];
    for (size_t i = 0; i < candidates->count; i++) {
        const struct candidate *other = &candidates->list[i];
        if (other != first && !is(other, "hookup") && !order_takes_along(vehicle, first, other) &&
            !order_before(first, other))
            *open = true;
    }
    return first;
}
