// SPDX-License-Identifier: Apache-2.0
/*
 * scene_helper.h - one start of a parcel van, drawn: battery, and the three wires of a crank
 * sensor.
 */
#ifndef CRANKTRAP_TESTS_SCENE_HELPER_H
#define CRANKTRAP_TESTS_SCENE_HELPER_H

#include "analysis.h"
#include "sheet_helper.h"

/* What is watched; a lead that is not stays out of the record. */
#define WATCH_BATTERY  1U
#define WATCH_FEED     2U
#define WATCH_RETURN   4U
#define WATCH_SIGNAL   8U
#define WATCH_IGNITION 16U
#define WATCH_USUAL    (WATCH_BATTERY | WATCH_FEED | WATCH_RETURN | WATCH_SIGNAL)

struct scene {
    unsigned watched;
    double rate_hz;      /* 10000 unless said */
    double system_volts; /* 12 unless said */
    double seconds;      /* 14 unless said */
    double key_on_s;     /* 1 unless said */
    double engaged_s;    /* 3 unless said; < 0: nobody cranks */
    double released_s;   /* 6 unless said */
    double catches_s;    /* > 0: from here on it runs by itself, at 850 rpm */
    double stops_s;      /* > 0: the engine stands again from here on */
    double key_off_s;    /* > 0 */
};

/* Leads by place in struct scene_leads; CHANNEL_NONE where not watched. */
struct scene_leads {
    size_t battery, feed, ret, signal, ignition, sensor;
};

/* Draws it, with a 60-2 wheel at 190 rpm while the starter turns the engine. */
struct sheet *scene_draw(const struct scene *scene, struct scene_leads *leads);

/* The feed falls to `volts` from `from_s` to `to_s`, and the sensor's output floats up with it. */
void scene_collapse(struct sheet *sheet, const struct scene_leads *leads, double from_s,
                    double to_s, double volts);

/* Analyses the sheet with default limits; the test fails where that fails. */
struct analysis *scene_analyse(struct sheet *sheet);

/* All of it, for a test that is about to fail. */
void scene_print(const struct sheet *sheet, const struct analysis *analysis);

/* Compares: where `holds` is false, shows everything and fails the test with `what`. */
void scene_expect(const struct sheet *sheet, const struct analysis *analysis, bool holds,
                  const char *what);

/* Frees both. */
void scene_done(struct sheet *sheet, struct analysis *analysis);

/* How many findings are of that fault. */
size_t scene_findings(const struct analysis *analysis, enum fault fault);

/* Position of the check of that name, attempt and phase, or fails the test. */
const struct analysis_check *scene_check(const struct analysis *analysis, const char *name,
                                         unsigned attempt, enum phase phase);

/* Does a sentence of the list hold `words`? */
bool scene_says(const struct analysis_texts *texts, const char *words);

#endif
