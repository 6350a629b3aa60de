// SPDX-License-Identifier: Apache-2.0
/*
 * circuit_limits.h - every limit a circuit is judged by, as data: value, unit, source, settable by
 * name.
 *
 * The table stands once, in the X-macro below; the struct, the parser, docs/limits.md and the
 * checks' printed sources all come from it.
 *   LIMIT(field, "name in a hookup file", default, "unit", "source")
 */
#ifndef CRANKTRAP_CIRCUIT_LIMITS_H
#define CRANKTRAP_CIRCUIT_LIMITS_H

#include <stddef.h>

#define LIMITS_TABLE(LIMIT)                                                                        \
    LIMIT(feed_tolerance, "feed-tolerance", 0.25, "V",                                             \
          "common practice, no source: a 5 V feed stays at 5 V while cranking")                    \
    LIMIT(feed_inrush_exempt, "feed-inrush-exempt", 0.05, "s", "common practice, no source")       \
    LIMIT(feed_drop_out, "feed-drop-out", 1.0, "V",                                                \
          "common practice, no source: what a regulator needs above its output")                   \
    LIMIT(unit_floor, "unit-floor", 8.0, "V",                                                      \
          "ISO 16750-2:2010 tables 1 and 2, codes B (8 V) and F (16 V): a control unit need not "  \
          "work below")                                                                            \
    LIMIT(dip_minimum_time, "dip-minimum-time", 0.002, "s",                                        \
          "common practice, no source: shorter dips are filtered by the sensor's own supply")      \
    LIMIT(return_level, "return-level", 0.1, "V", "common practice, no source")                    \
    LIMIT(return_surge_level, "return-surge-level", 0.3, "V", "common practice, no source")        \
    LIMIT(return_surge_note, "return-surge-note", 0.2, "V", "common practice, no source")          \
    LIMIT(return_surge_time, "return-surge-time", 0.15, "s", "common practice, no source")         \
    LIMIT(return_open, "return-open", 1.0, "V",                                                    \
          "common practice, no source: a return that floats so high is not connected")             \
    LIMIT(ground_level, "ground-level", 0.2, "V",                                                  \
          "US Army TM 5-3820-256-24-4: ground side of a starter circuit 0.2 V")                    \
    LIMIT(supply_drop, "supply-drop", 1.0, "V",                                                    \
          "common practice, no source: relay, fuse and wires to a control unit")                   \
    LIMIT(slow_crank, "slow-crank", 80.0, "rpm",                                                   \
          "common practice, no source: too slow to fire; normal is 140 to 220 rpm (Ford 1993 "     \
          "Mustang workshop manual 03-06), less in the cold")                                      \
    LIMIT(hall_low, "hall-low", 0.5, "V",                                                          \
          "HAL300 datasheet p.14: output low at most 0.4 V at 20 mA; 0.1 V for the wire")          \
    LIMIT(hall_high_share, "hall-high-share", 0.9, "of the pull-up",                               \
          "Chrysler Pacifica 2007 crank sensor description: high 5.0 V; 4.5 V inferred")           \
    LIMIT(inductive_swing, "inductive-swing", 0.4, "V",                                            \
          "common practice, no source: peak to peak, what a control unit's input needs at least")  \
    LIMIT(cranking_sag, "cranking-sag", 0.7, "V", "common practice, no source")                    \
    LIMIT(cranking_floor, "cranking-floor", 9.6, "V",                                              \
          "Chrysler Crossfire 2004 Cold Cranking Test: below 9.6 V suspect starter or battery")    \
    LIMIT(samples_per_state, "samples-per-state", 5.0, "samples",                                  \
          "common practice, no source: fewer samples in the shortest state prove nothing")         \
    LIMIT(cranking_inrush, "cranking-inrush", 2.0, "V",                                            \
          "common practice, no source: no load but a starter pulls a battery down so far so fast") \
    LIMIT(charging_level, "charging-level", 13.2, "V",                                             \
          "road-roller manual, ammann arr-1575 p.258: charging 13 to 14.5 V")                      \
    LIMIT(starter_current_on, "starter-current-on", 50.0, "A",                                     \
          "Ford 1993 Mustang workshop manual 03-06: a starter without load draws 60 A or more")    \
    LIMIT(running_speed, "running-speed", 450.0, "rpm",                                            \
          "common practice, no source: above any cranking, below any idle")                        \
    LIMIT(released_early, "released-early", 1.0, "s",                                              \
          "common practice, no source: a shorter cranking is no fair attempt")                     \
    LIMIT(stopped_within, "stopped-within", 5.0, "s",                                              \
          "common practice, no source: an engine that dies sooner did not really start")           \
    LIMIT(started_hold, "started-hold", 1.5, "s",                                                  \
          "common practice, no source: edges that go on after the starter lets go")

struct limits {
#define LIMIT(field, name, value, unit, source) double field;
    LIMITS_TABLE(LIMIT)
#undef LIMIT
};

/* One row of the table, for listings. Strings are static. */
struct limits_row {
    const char *name;
    const char *unit;
    const char *source;
    double standard; /* the default value */
    size_t offset;   /* of its double in struct limits */
};

/* The table, `*count` rows. */
const struct limits_row *limits_rows(size_t *count);

/*
 * All limits at their defaults. A 24 V vehicle doubles those that speak of the battery's volts
 * (`cranking-*` and `charging-*`).
 */
struct limits limits_default(double system_volts);

/* Sets one by name; -ENOENT for an unknown name, -ERANGE for a negative or non-finite value. */
int limits_set(struct limits *limits, const char *name, double value);

/* Source text of the limit whose field lies at `offset`, for printing beside a check. */
const char *limits_source(size_t offset);

#endif
