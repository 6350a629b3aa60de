// SPDX-License-Identifier: Apache-2.0
/*
 * verdict.c - which circuit let go first, or that none that was watched did; and all that a
 * technician would say beside it. Observation and cause are kept apart.
 */
#include "verdict.h"

#include "candidate.h"
#include "checks.h"
#include "command_judge.h"
#include "coverage.h"
#include "feed_judge.h"
#include "lead_judge.h"
#include "order.h"
#include "pulse_judge.h"
#include "result.h"
#include "return_judge.h"
#include "signal_judge.h"
#include "starter_judge.h"
#include "step_judge.h"
#include "supply_judge.h"
#include "texts.h"
#include "words.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LONG_S 0.1 /* said in seconds, not in thousandths */

static void hear_judges(const struct evidence *evidence, struct candidates *candidates,
                        struct analysis_texts *notes) {
    lead_judge(evidence, candidates);
    feed_judge(evidence, candidates);
    return_judge(evidence, candidates, notes);
    supply_judge(evidence, candidates, notes);
    starter_judge(evidence, candidates);
    signal_judge(evidence, candidates);
    pulse_judge(evidence, candidates);
    step_judge(evidence, candidates);
    command_judge(evidence, candidates);
}

/* ---- findings ---- */

static int add_finding(const struct candidate *candidate, unsigned attempt,
                       struct analysis *analysis) {
    struct analysis_finding *finding = result_add_finding(analysis);
    if (finding == NULL)
        return -ENOMEM;
    int error = 0;
    *finding = (struct analysis_finding){
        .fault = candidate->fault,
        .channel = candidate->channel,
        .sensor = candidate->sensor,
        .attempt = attempt,
        .from_s = candidate->from_s,
        .from_until_s = candidate->from_until_s,
        .to_s = candidate->to_s,
        .extreme = candidate->extreme,
        .unit = candidate->unit,
    };
    if (candidate->text != NULL)
        finding->text = result_sentence(&error, "%s", candidate->text);
    return error;
}

static int add_findings(const struct candidates *candidates, unsigned attempt,
                        struct analysis *analysis) {
    int error = candidates->error;
    for (size_t i = 0; i < candidates->count && error == 0; i++)
        error = add_finding(&candidates->list[i], attempt, analysis);
    return error;
}

/* ---- the one that let go first ---- */

static void copy_texts(int *error, const struct analysis_texts *from, struct analysis_texts *to) {
    for (size_t i = 0; i < from->count; i++)
        result_say(error, to, "%s", from->text[i]);
}

static bool of_signal(const struct candidate *candidate) {
    return strcmp(fault_circuit(candidate->fault), "signal") == 0;
}

/* What came with it or behind it: listed, not blamed. */
static void say_follower(const struct evidence *evidence, const struct candidate *first,
                         const struct candidate *other, struct analysis_verdict *verdict,
                         int *error) {
    double later_s = other->from_until_s - first->from_until_s;
    if (other->text == NULL || (other->fault == first->fault && other->channel == first->channel))
        return;
    bool along = order_takes_along(evidence->window->vehicle, first, other);
    if (along && of_signal(other) && first->followers.count > 0)
        return; /* said already, with its edges */
    bool after = order_before(first, other) && !first->standing && !other->standing;
    if (after && later_s < LONG_S)
        result_say(error, &verdict->followers, TEXT_AFTER, other->text, 1e3 * later_s);
    else if (after)
        result_say(error, &verdict->followers, TEXT_LONG_AFTER, other->text, later_s);
    else if (along || first->standing || other->standing)
        result_say(error, &verdict->followers, TEXT_MEANWHILE, other->text);
    else
        result_say(error, &verdict->followers, TEXT_WITHIN, other->text,
                   1e3 * (fmax(first->from_until_s, other->from_until_s) -
                          fmin(first->from_s, other->from_s)));
}

static bool both_feeds(const struct evidence *evidence, const struct candidate *one,
                       const struct candidate *other) {
    const struct vehicle_channel *channels = evidence->window->vehicle->channels;
    return one->channel != CHANNEL_NONE && other->channel != CHANNEL_NONE &&
           one->channel != other->channel && channels[one->channel].role == ROLE_FEED &&
           channels[other->channel].role == ROLE_FEED;
}

/* Of a signal that stopped it is needless to say that it is weak as well. */
static bool is_told(const struct candidates *candidates, const struct candidate *candidate) {
    return candidate->fault == FAULT_SIGNAL_WEAK &&
           candidates_have(candidates, FAULT_SIGNAL_LOST, candidate->channel);
}

static void say_others(const struct evidence *evidence, const struct candidates *candidates,
                       const struct candidate *first, struct analysis_verdict *verdict,
                       int *error) {
    for (size_t i = 0; i < candidates->count; i++) {
        const struct candidate *other = &candidates->list[i];
        if (other == first || is_told(candidates, other))
            continue;
        say_follower(evidence, first, other, verdict, error);
        if (both_feeds(evidence, first, other))
            result_say(error, &verdict->alternatives, TEXT_FEEDS_COMMON,
                       words_channel(evidence->survey, first->channel),
                       words_channel(evidence->survey, other->channel));
    }
}

static void say_first(const struct evidence *evidence, const struct candidates *candidates,
                      const struct candidate *first, bool open, struct analysis_verdict *verdict,
                      int *error) {
    verdict->fault = first->fault;
    verdict->channel = first->channel;
    verdict->sensor = first->sensor;
    verdict->at_from_s = first->from_s;
    verdict->at_to_s = first->from_until_s;
    verdict->at_s = (first->from_s + first->from_until_s) / 2.0;
    verdict->standing = first->standing;
    verdict->certainty = first->certainty;
    if (open && verdict->certainty == CERTAINTY_SHOWN)
        verdict->certainty = CERTAINTY_LIKELY;
    if (first->observed != NULL)
        verdict->observed = result_sentence(error, "%s", first->observed);
    copy_texts(error, &first->because, &verdict->because);
    copy_texts(error, &first->followers, &verdict->followers);
    copy_texts(error, &first->alternatives, &verdict->alternatives);
    copy_texts(error, &first->next, &verdict->next);
    say_others(evidence, candidates, first, verdict, error);
}

/* ---- nothing that can be blamed ---- */

static void observe_nothing(const struct evidence *evidence, enum coverage covered,
                            struct analysis_verdict *verdict, int *error) {
    if (covered == COVERED_NOTHING) {
        verdict->certainty = CERTAINTY_CANNOT_TELL;
        verdict->observed = result_sentence(error, TEXT_NOTHING_JUDGED);
        return;
    }
    verdict->certainty = covered == COVERED_ALL ? CERTAINTY_SHOWN : CERTAINTY_LIKELY;
    verdict->observed = result_sentence(
        error, TEXT_NOTHING_FOUND, evidence->window->attempt > 0 ? TEXT_NOTHING_WHILE_TURNING : "");
}

/* What a technician would do next after an attempt in which nothing watched was at fault. */
static void say_next_after_nothing(enum outcome outcome, struct analysis_verdict *verdict,
                                   int *error) {
    switch (outcome) {
    case OUTCOME_DID_NOT_START:
    case OUTCOME_STARTED_THEN_STOPPED:
        result_say(error, &verdict->next, TEXT_NEXT_FAILED);
        break;
    case OUTCOME_DID_NOT_CRANK:
        result_say(error, &verdict->next, TEXT_NOT_CRANKED_NEXT);
        break;
    case OUTCOME_RELEASED_EARLY:
        result_say(error, &verdict->next, TEXT_NEXT_EARLY);
        break;
    case OUTCOME_STARTED:
        result_say(error, &verdict->next, TEXT_NEXT_STARTED);
        break;
    case OUTCOME_UNKNOWN:
        result_say(error, &verdict->next, TEXT_NEXT_UNKNOWN);
        break;
    }
}

static void say_nothing(const struct evidence *evidence, const struct analysis *analysis,
                        struct analysis_verdict *verdict, int *error) {
    const struct survey *survey = evidence->survey;
    unsigned attempt = evidence->window->attempt;
    observe_nothing(evidence, coverage_of(survey, attempt, analysis), verdict, error);
    if (checks_failed(analysis, attempt) > 0) {
        free(verdict->observed);
        verdict->observed = result_sentence(error, TEXT_OUT_BUT_NO_VERDICT);
        verdict->certainty = CERTAINTY_CANNOT_TELL;
    }
    coverage_say_good(survey, attempt, analysis, verdict, error);
    if (attempt > 0)
        say_next_after_nothing(evidence->outcome, verdict, error);
}

int verdict_draw(const struct evidence *evidence, struct analysis *analysis,
                 struct analysis_verdict *verdict) {
    const struct survey *survey = evidence->survey;
    unsigned attempt = evidence->window->attempt;
    struct candidates candidates = {0};
    struct analysis_texts notes = {0, NULL};
    bool open;
    *verdict = result_empty_verdict();
    hear_judges(evidence, &candidates, &notes);
    int error = add_findings(&candidates, attempt, analysis);
    const struct candidate *first =
        error == 0 ? order_first(evidence->window->vehicle, &candidates, &open) : NULL;
    if (first != NULL)
        say_first(evidence, &candidates, first, open, verdict, &error);
    else if (error == 0)
        say_nothing(evidence, analysis, verdict, &error);
    copy_texts(&error, &notes, &verdict->because);
    coverage_say_failed(survey, &candidates, attempt, analysis, verdict, &error);
    coverage_say_not_tested(survey, attempt, analysis, verdict, &error);
    result_free_texts(&notes);
    candidates_done(&candidates);
    return error;
}
