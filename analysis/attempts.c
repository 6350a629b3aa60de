// SPDX-License-Identifier: Apache-2.0
/*
 * attempts.c - crankings and unanswered requests as attempts; outcome from the phases that follow.
 */
#include "attempts.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define ANSWER_S         0.5 /* the starter engages this soon after the request, or not at all */
#define SHORTEST_ASKED_S 0.2 /* a shorter request does not even move the solenoid */
#define CATCHES_S        1.5 /* beyond the hold: charging shows later than edges */

/* Does a cranking fall into the stretch (or begin right behind it)? */
static bool answered(const struct request *request, const struct analysis_phase *phases,
                     size_t count) {
    for (size_t i = 0; i < count; i++) {
        if (phases[i].phase == PHASE_CRANKING && phases[i].from_s <= request->to_s + ANSWER_S &&
            phases[i].to_s >= request->from_s)
            return true;
    }
    return false;
}

static int by_time(const void *left, const void *right) {
    const struct attempt *a = left;
    const struct attempt *b = right;
    return (a->from_s > b->from_s) - (a->from_s < b->from_s);
}

static struct attempt of_cranking(const struct analysis_phase *phases, size_t count, size_t i) {
    struct attempt attempt = {
        .from_s = phases[i].from_s,
        .to_s = phases[i].to_s,
        .cranked = true,
        .begun_before = phases[i].from_s <= phases[0].from_s,
        .open = i + 1 == count,
        .phase_s = phases[i].from_s,
    };
    if (i > 0 && phases[i - 1].phase == PHASE_KEY_ON)
        attempt.phase_s = phases[i - 1].from_s;
    return attempt;
}

int attempts_find(const struct analysis_phase *phases, size_t phase_count,
                  const struct request *requests, size_t request_count, bool can_see_cranking,
                  struct attempt **attempts, size_t *count) {
    size_t found = 0;
    struct attempt *list = calloc(phase_count + request_count + 1, sizeof *list);
    if (list == NULL)
        return -ENOMEM;
    for (size_t i = 0; i < phase_count; i++) {
        if (phases[i].phase == PHASE_CRANKING)
            list[found++] = of_cranking(phases, phase_count, i);
    }
    for (size_t i = 0; can_see_cranking && i < request_count; i++) {
        const struct request *request = &requests[i];
        if (request->to_s - request->from_s < SHORTEST_ASKED_S ||
            answered(request, phases, phase_count))
            continue;
        list[found++] = (struct attempt){
            .from_s = request->from_s,
            .to_s = request->to_s,
            .phase_s = request->from_s,
        };
    }
    qsort(list, found, sizeof *list, by_time);
    *attempts = list;
    *count = found;
    return 0;
}

/* The running phase that follows the release, or NULL. */
static const struct analysis_phase *running_after(const struct attempt *attempt,
                                                  const struct analysis_phase *phases, size_t count,
                                                  double within_s) {
    for (size_t i = 0; i < count; i++) {
        if (phases[i].from_s < attempt->to_s - 1e-9)
            continue;
        if (phases[i].phase == PHASE_CRANKING || phases[i].from_s > attempt->to_s + within_s)
            return NULL;
        if (phases[i].phase == PHASE_RUNNING)
            return &phases[i];
    }
    return NULL;
}

static enum outcome of_running(const struct attempt *attempt, const struct analysis_phase *running,
                               const struct analysis_phase *after, const struct limits *limits,
                               double record_to_s, bool *cut_short) {
    bool lasts = after == NULL;
    double until_s = lasts ? record_to_s : running->to_s;
    double ran_s = until_s - attempt->to_s;
    if (ran_s < limits->started_hold) {
        *cut_short = lasts;
        return lasts ? OUTCOME_UNKNOWN : OUTCOME_STARTED_THEN_STOPPED;
    }
    bool stopped = !lasts && ran_s < limits->stopped_within && after->phase != PHASE_KEY_OFF;
    return stopped ? OUTCOME_STARTED_THEN_STOPPED : OUTCOME_STARTED;
}

enum outcome attempts_outcome(const struct attempt *attempt, const struct analysis_phase *phases,
                              size_t phase_count, const struct limits *limits, double record_to_s,
                              bool turned, bool *cut_short) {
    double seen_s = record_to_s - attempt->to_s;
    *cut_short = false;
    if (!attempt->cranked)
        return OUTCOME_DID_NOT_CRANK;
    if (attempt->open) {
        *cut_short = true;
        return OUTCOME_UNKNOWN;
    }
    const struct analysis_phase *running =
        running_after(attempt, phases, phase_count, limits->started_hold + CATCHES_S);
    if (running != NULL) {
        const struct analysis_phase *after = running + 1;
        if (after == phases + phase_count)
            after = NULL;
        return of_running(attempt, running, after, limits, record_to_s, cut_short);
    }
    if (seen_s < limits->started_hold) {
        *cut_short = true;
        return OUTCOME_UNKNOWN;
    }
    if (!attempt->begun_before && attempt->to_s - attempt->from_s < limits->released_early)
        return OUTCOME_RELEASED_EARLY;
    return turned ? OUTCOME_DID_NOT_START : OUTCOME_UNKNOWN;
}
