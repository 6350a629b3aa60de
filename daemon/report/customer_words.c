// SPDX-License-Identifier: Apache-2.0
/*
 * customer_words.c - one table: what each verdict means, and what comes next, in plain words.
 */
#include "customer_words.h"

#include <math.h>
#include <stdio.h>
#include <time.h>

/* A sensor that is not heard, by what keeps it from being heard. */
#define UNHEARD " A control unit that does not hear its sensor may give neither fuel nor spark."
#define NO_PARTS                                                                                   \
    " Until that has shown which of them it is, there is no reason to change any of them."
#define WIRE_NEXT                                                                                  \
    "The workshop now tests the wire, its connectors and the sensor one after the other, while "   \
    "the fault is there." NO_PARTS

static const struct {
    const char *mark, *meaning, *next;
} sayings[] = {
    [FAULT_NOTHING_FOUND] = {"", "", ""}, /* it hangs on the outcome */
    [FAULT_LEAD_SUSPECT] = {"this test lead cannot be trusted",
                            "One of the test leads cannot be trusted, so this recording speaks of "
                            "the test, not yet of the vehicle.",
                            "The workshop attaches that lead anew and records again."},
    [FAULT_CRANK_VOLTAGE_LOW] = {"too little voltage is left",
                                 "While the starter turned, too little voltage was left for the "
                                 "rest of the vehicle.",
                                 "The workshop charges and tests the battery first, then its "
                                 "cables, then what the starter takes." NO_PARTS},
    [FAULT_NO_ROTATION] = {"a start is asked for, nothing turns",
                           "A start was asked for, but the engine was not turned.",
                           "The workshop now tests the way to the starter: relay, cables and the "
                           "starter itself, one after the other." NO_PARTS},
    [FAULT_GROUND_RISE] = {"the ground connection gives way",
                           "The connection back to the battery was not good enough while the "
                           "starter turned; everything that works against it then goes wrong.",
                           "The workshop now tests the ground straps and cables and their joints "
                           "under load."},
    [FAULT_SUPPLY_COLLAPSE] = {"the control unit's supply fails",
                               "The engine's control unit lost its own supply, and with it "
                               "everything it controls.",
                               "The workshop now tests the relay, the fuse and the wires that "
                               "supply the control unit." NO_PARTS},
    [FAULT_FEED_FOLLOWS_BATTERY] = {"the sensor's supply follows the battery",
                                    "The supply of a sensor fell together with the "
                                    "battery." UNHEARD,
                                    "The workshop charges and tests the battery first, then what "
                                    "supplies the sensor." NO_PARTS},
    [FAULT_FEED_COLLAPSE] = {"the sensor's supply fails",
                             "The wire that supplies a sensor lost its voltage." UNHEARD,
                             WIRE_NEXT},
    [FAULT_FEED_OFF_LEVEL] = {"the sensor's supply is off",
                              "The wire that supplies a sensor did not have the voltage it "
                              "needs." UNHEARD,
                              WIRE_NEXT},
    [FAULT_RETURN_OPEN] = {"the sensor's return opens",
                           "The wire that leads back from a sensor was not connected." UNHEARD,
                           WIRE_NEXT},
    [FAULT_RETURN_RISE] = {"the sensor's return gives way",
                           "The wire that leads back from a sensor was not a good "
                           "connection." UNHEARD,
                           WIRE_NEXT},
    [FAULT_SIGNAL_LOST] = {"the sensor's signal stops",
                           "The signal of a sensor stopped while the engine was turning." UNHEARD,
                           WIRE_NEXT},
    [FAULT_OUT_OF_STEP] =
        {"the shafts get out of step",
         "The crankshaft and the camshaft did not move together as they should.",
         "Please do not start the engine: that could damage it. The workshop first "
         "looks at the belt or chain between the two shafts."},
    [FAULT_SIGNAL_GAPS] = {"pulses are missing", "Parts of a sensor's signal were missing." UNHEARD,
                           WIRE_NEXT},
    [FAULT_SIGNAL_WEAK] = {"the sensor's signal is weak",
                           "The signal of a sensor was too weak." UNHEARD, WIRE_NEXT},
    [FAULT_SIGNAL_NOISE] = {"the signal is disturbed",
                            "The signal of a sensor was disturbed by something else." UNHEARD,
                            WIRE_NEXT},
    [FAULT_SLOW_CRANK] = {"the engine turns too slowly",
                          "The starter turned the engine too slowly for a start.",
                          "The workshop tests the battery and its cables first, then the "
                          "starter." NO_PARTS},
    [FAULT_NO_COMMAND] = {"no command for fuel or spark",
                          "The engine turned, but the control unit gave no command for fuel or "
                          "spark.",
                          "The workshop now tests what the control unit needs before it gives "
                          "one: its supply, its sensors, and whether it allows a start."},
};

static bool failed(const struct analysis_attempt *attempt) {
    return attempt && (attempt->outcome == OUTCOME_DID_NOT_START ||
                       attempt->outcome == OUTCOME_STARTED_THEN_STOPPED ||
                       attempt->outcome == OUTCOME_DID_NOT_CRANK);
}

const char *customer_meaning(const struct report *report) {
    const struct analysis_verdict *verdict = &report->analysis->verdict;
    if (verdict->fault != FAULT_NOTHING_FOUND)
        return sayings[verdict->fault].meaning;
    bool all = verdict->certainty == CERTAINTY_SHOWN;
    if (failed(report_attempt(report)))
        return all ? "Everything that was watched was good while it failed. That is a result too: "
                     "the cause lies in something that was not watched."
                   : "What could be judged was good while it failed. That is a result too: the "
                     "cause is likely to lie in something that was not watched.";
    return all ? "Everything that was watched was good."
               : "What could be judged was good; not all that was watched could be.";
}

const char *customer_next(const struct report *report) {
    const struct analysis_verdict *verdict = &report->analysis->verdict;
    const struct analysis_attempt *attempt = report_attempt(report);
    if (verdict->fault != FAULT_NOTHING_FOUND)
        return sayings[verdict->fault].next;
    if (failed(attempt))
        return "The workshop puts its test leads on what was not watched, and waits for the next "
               "time that it fails.";
    if (attempt && attempt->outcome == OUTCOME_STARTED)
        return "The test leads stay where they are until it fails again.";
    return "The workshop records another start, with a test lead that shows whether the engine "
           "runs.";
}

const char *customer_mark(enum fault fault) {
    return sayings[fault].mark;
}

const char *customer_certainty(const struct report *report) {
    const struct analysis_verdict *verdict = &report->analysis->verdict;
    if (verdict->fault == FAULT_NOTHING_FOUND)
        return verdict->certainty == CERTAINTY_CANNOT_TELL
                   ? "But too little could be judged to rule anything out."
                   : "";
    switch (verdict->certainty) {
    case CERTAINTY_SHOWN:
        return "This was seen directly, on the wire itself, when it happened. Why it happens is "
               "the next question.";
    case CERTAINTY_LIKELY:
        return "This fits all that was recorded, but something that would prove it is missing.";
    case CERTAINTY_CANNOT_TELL:
        break;
    }
    return "This is the best guess so far: the recording alone does not decide it.";
}

/* After the starter's engagement, as one says it. */
static void put_moment(const struct report *report, char *text, size_t size) {
    const struct analysis_verdict *verdict = &report->analysis->verdict;
    double after_s = verdict->at_s - report->zero_s;
    snprintf(text, size, "%s", "");
    if (verdict->standing || !report_attempt(report) || !isfinite(after_s))
        return;
    if (after_s < 0)
        snprintf(text, size, " It began before the starter turned.");
    else if (after_s < 0.1)
        snprintf(text, size, " It began at the moment the starter engaged.");
    else
        snprintf(text, size, " It began %.1f seconds after the starter had engaged.", after_s);
}

const char *customer_place(const struct report *report, char *text, size_t size) {
    const struct analysis_verdict *verdict = &report->analysis->verdict;
    char moment[80];
    put_moment(report, moment, sizeof moment);
    snprintf(text, size, "%s", "");
    if (verdict->fault == FAULT_NOTHING_FOUND)
        return text;
    if (verdict->sensor == CHANNEL_NONE || verdict->fault == FAULT_OUT_OF_STEP) {
        snprintf(text, size, "%s", moment[0] ? moment + 1 : "");
        return text;
    }
    const struct vehicle_sensor *sensor = &report->vehicle->sensors[verdict->sensor];
    const char *shaft = sensor->shaft == SHAFT_CRANK ? " of the crankshaft"
                        : sensor->shaft == SHAFT_CAM ? " of the camshaft"
                                                     : "";
    snprintf(text, size, "It concerns the sensor%s, called \"%.100s\" here.%s", shaft, sensor->name,
             moment);
    return text;
}

const char *customer_when(const struct report *report, char *text, size_t size) {
    double wall_s = (double)playback_wall_ns(report->playback) * 1e-9;
    time_t seconds = (time_t)(wall_s + report->zero_s);
    struct tm local;
    snprintf(text, size, "%s", "");
    if (wall_s > 0 && localtime_r(&seconds, &local) &&
        strftime(text, size, "%e %B %Y, %H:%M", &local) == 0)
        snprintf(text, size, "%s", "");
    return text[0] == ' ' ? text + 1 : text;
}
