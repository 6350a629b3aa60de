// SPDX-License-Identifier: Apache-2.0
/*
 * analysis.h - from a record to a verdict: phases, attempts, checks, findings, and the answer.
 *
 * The result is a tree of plain data that belongs to the analysis; nothing in it needs the record
 * any more, except names, which are borrowed from its vehicle. Times are seconds on the record's
 * axis, absent numbers are NAN, absent texts NULL.
 */
#ifndef CRANKTRAP_ANALYSIS_H
#define CRANKTRAP_ANALYSIS_H

#include "circuit_limits.h"
#include "phases.h"
#include "record.h"
#include "rotation_words.h"

#include <stdbool.h>
#include <stddef.h>

/*
 * What can be at fault, and on which circuit. In order of physics: what stands above can take along
 * what stands below, so of two that come together the upper one is the likelier cause.
 *   FAULT(ENUMERATOR, "name", "circuit")
 */
#define FAULTS_TABLE(FAULT)                                                                        \
    FAULT(NOTHING_FOUND, "nothing-found", "none")                                                  \
    FAULT(LEAD_SUSPECT, "lead-suspect", "hookup")                                                  \
    FAULT(CRANK_VOLTAGE_LOW, "crank-voltage-low", "battery")                                       \
    FAULT(NO_ROTATION, "no-rotation", "starter")                                                   \
    FAULT(GROUND_RISE, "ground-rise", "ground")                                                    \
    FAULT(SUPPLY_COLLAPSE, "supply-collapse", "supply")                                            \
    FAULT(FEED_FOLLOWS_BATTERY, "feed-follows-battery", "battery")                                 \
    FAULT(FEED_COLLAPSE, "feed-collapse", "feed")                                                  \
    FAULT(FEED_OFF_LEVEL, "feed-off-level", "feed")                                                \
    FAULT(RETURN_OPEN, "return-open", "return")                                                    \
    FAULT(RETURN_RISE, "return-rise", "return")                                                    \
    FAULT(SIGNAL_LOST, "signal-lost", "signal")                                                    \
    FAULT(OUT_OF_STEP, "out-of-step", "signal")                                                    \
    FAULT(SIGNAL_GAPS, "signal-gaps", "signal")                                                    \
    FAULT(SIGNAL_WEAK, "signal-weak", "signal")                                                    \
    FAULT(SIGNAL_NOISE, "signal-noise", "signal")                                                  \
    FAULT(SLOW_CRANK, "slow-crank", "starter")                                                     \
    FAULT(NO_COMMAND, "no-command", "command")

enum fault {
#define FAULT(enumerator, name, circuit) FAULT_##enumerator,
    FAULTS_TABLE(FAULT)
#undef FAULT
};
const char *fault_name(enum fault fault);    /* "nothing-found", "feed-collapse", ... */
const char *fault_circuit(enum fault fault); /* "none", "feed", ... */

enum certainty { CERTAINTY_CANNOT_TELL, CERTAINTY_LIKELY, CERTAINTY_SHOWN };
const char *certainty_name(enum certainty certainty); /* "cannot-tell", "likely", "shown" */

enum outcome {
    OUTCOME_UNKNOWN,
    OUTCOME_STARTED,
    OUTCOME_STARTED_THEN_STOPPED,
    OUTCOME_DID_NOT_START,
    OUTCOME_RELEASED_EARLY,
    OUTCOME_DID_NOT_CRANK,
};
const char *outcome_name(enum outcome outcome); /* "started-then-stopped", ... */

enum check_result { CHECK_PASS, CHECK_FAIL, CHECK_TOO_CLOSE, CHECK_NOT_POSSIBLE };
const char *check_result_name(enum check_result result); /* "pass", "fail", "too-close", ... */

/* A list of sentences. */
struct analysis_texts {
    size_t count;
    char **text;
};

struct analysis_phase {
    enum phase phase;
    double from_s;
    double to_s;
};

/* What one channel did in one phase of one attempt (or of the whole record: attempt 0). */
struct analysis_level {
    size_t channel;
    enum phase phase;
    unsigned attempt;
    double lowest, highest; /* single samples */
    double average;         /* what an averaging meter would show */
    double low, high;       /* state levels (IEEE Std 181 histogram); NAN: the channel has one */
    double duty;            /* share of time above the mid level, 0..1; NAN */
    double edges_per_s;     /* both directions; NAN where the rate could not show them */
};

struct analysis_check {
    const char *name; /* "feed level", "low level of the signal", ...; static */
    size_t channel;
    size_t sensor;    /* CHANNEL_NONE: of no sensor */
    unsigned attempt; /* 0: of the whole record */
    enum phase phase;
    double measured;
    double limit_low, limit_high; /* NAN: no limit on that side */
    const char *unit;
    const char *source; /* of the limit; static */
    enum check_result result;
    char *why; /* for not-possible and too-close: one plain sentence; else NULL */
};

struct analysis_finding {
    enum fault fault;
    size_t channel;
    size_t sensor;
    unsigned attempt;
    double from_s, from_until_s; /* the onset lies in this interval */
    double to_s;                 /* over at, or NAN: lasts to the end of the record */
    double extreme;              /* lowest or highest value reached */
    const char *unit;
    char *text; /* one plain sentence */
};

struct analysis_verdict {
    enum fault fault;
    size_t sensor;  /* CHANNEL_NONE */
    size_t channel; /* CHANNEL_NONE */
    double at_s, at_from_s, at_to_s;
    bool standing; /* no moment: it was so as long as it was looked at */
    enum certainty certainty;
    char *observed; /* what stood on the wire, one plain sentence */
    struct analysis_texts because, followers, alternatives, next, not_tested;
};

/* Crank speed at a moment. */
struct analysis_speed {
    double at_s, rpm;
    enum rotation_source source; /* a turn of a wheel by its edges, or compressions */
    size_t channel;              /* that tells */
};

struct analysis_attempt {
    unsigned number;               /* 1.. in order of time within the record */
    double from_s, to_s;           /* engagement to release */
    bool cut_short;                /* the record ends before the outcome could be seen */
    double rpm, rpm_low, rpm_high; /* of the median, slowest, fastest turn while cranking; after
                                      its first second where enough turns follow */
    const char *rpm_source;        /* "crank-signal" (a channel's name) or NULL */
    size_t speed_count;            /* speeds over time, from the engagement till it runs or not */
    struct analysis_speed *speeds;
    size_t turning_count; /* does it turn, and what tells: stretches without holes over the same */
    struct rotation_stretch *turning;
    unsigned cylinders; /* that edges and compressions tell together; 0: they do not */
    enum outcome outcome;
    struct analysis_verdict verdict;
};

/* A wheel's pattern as it appeared in one attempt: compressions and teeth are in it together. */
struct analysis_wheel {
    unsigned attempt; /* 0: of the whole record */
    size_t sensor;
    enum phase phase; /* in which it was measured: cranking, or running */
    bool rises;       /* the edges that time */
    bool marked;      /* it has one gap, and place 0 is the edge behind it */
    size_t edges;     /* of that direction in a turn */
    size_t turns;     /* whole ones that it was measured over */
    double *degrees;  /* owned: from edge to edge, of a turn of the wheel; medians */
    double scatter;   /* of one of them from turn to turn, the usual one, degrees */
};

struct analysis_cam_edge {
    double degrees; /* of the crank, 0 to 360, behind the edge that falls behind its gap */
    double scatter; /* from time to time, degrees */
    bool rises;
    size_t seen; /* so many times */
};

/* Where the cam's edges come on the crank's turn, in one attempt. The crank's wheel has a gap;
 * which of its two turns it is, nothing tells. */
struct analysis_cam {
    unsigned attempt;  /* 0: of the whole record */
    size_t crank, cam; /* sensors */
    enum phase phase;  /* as above */
    size_t edge_count;
    struct analysis_cam_edge *edges; /* owned; those that fall first, in order of degrees */
};

struct analysis {
    size_t phase_count;
    struct analysis_phase *phases;
    size_t attempt_count;
    struct analysis_attempt *attempts;
    size_t level_count;
    struct analysis_level *levels;
    size_t check_count;
    struct analysis_check *checks;
    size_t finding_count;
    struct analysis_finding *findings;
    size_t wheel_count;
    struct analysis_wheel *wheels;
    size_t cam_count;
    struct analysis_cam *cams;
    struct analysis_verdict verdict; /* of the attempt that matters most, or of the whole record */
    unsigned verdict_attempt;        /* its number; 0: of the whole record */
};

/*
 * Analyses the whole record. Memory is bounded by the window of one attempt, not by the record.
 * `progress` may be NULL; else it is called now and then with the share done, 0..1.
 * 0 with `*result` set, -ENOMEM, or what the record's callbacks returned.
 */
int analysis_run(const struct record *record, const struct limits *limits,
                 void (*progress)(void *context, double share), void *context,
                 struct analysis **result);

/* Frees; takes NULL. */
void analysis_free(struct analysis *analysis);

#endif
