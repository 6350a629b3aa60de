// SPDX-License-Identifier: Apache-2.0
/*
 * yard_helper.h - a vehicle drawn by hand, played into watch a few scans at a time.
 *
 * Independent of the project's simulator: leads hold a level until told otherwise, the battery
 * follows a published starting profile while the starter is engaged, a signal is a square wave.
 */
#ifndef CRANKTRAP_TESTS_YARD_HELPER_H
#define CRANKTRAP_TESTS_YARD_HELPER_H

#include "hookup.h"
#include "watch.h"

#include <stdbool.h>
#include <stddef.h>

#define YARD_LEADS 8
#define YARD_NOTES 64

/* What came out: a mark, or (trigger "") the starter engaging or letting go. */
struct yard_note {
    char trigger[32];
    char text[256];
    struct watch_mark mark;
    double at_s;   /* of the mark's moment */
    double said_s; /* when samples up to here had been pushed */
};

struct yard {
    struct hookup hookup;
    struct hookup_board board;
    struct vehicle_channel leads[YARD_LEADS];
    struct vehicle_sensor sensors[2];
    struct hookup_trigger triggers[4];
    struct watch *watch;
    double rate_hz;
    size_t run_scans;
    double now_s;
    double volts[YARD_LEADS];
    double hertz[YARD_LEADS]; /* > 0: swings between 0.04 V and 4.98 V */
    double duty[YARD_LEADS];  /* share of a period at the low level */
    bool follows[YARD_LEADS]; /* shows the battery's voltage */
    double rest;
    double engaged_s, released_s; /* of the starter */
    bool engaged;
    bool lost; /* scans are missing before the next run */
    size_t note_count;
    struct yard_note notes[YARD_NOTES];
};

/* An empty yard, engine off, 12.6 V, elapsed time 1000 s. */
void yard_open(struct yard *yard);
void yard_close(struct yard *yard);

/* Adds a lead of 12 bits over 20 V at this level; its index. Before yard_watch(). */
size_t yard_lead(struct yard *yard, const char *name, enum role role, double volts);

/* Adds a hall sensor with only a signal, pulled up to 5 V; its lead. Before yard_watch(). */
size_t yard_sensor(struct yard *yard, const char *name, enum shaft shaft);

/* Adds a trigger section. */
struct hookup_trigger *yard_trigger(struct yard *yard, const char *name, size_t lead);

/* Makes the watch. */
void yard_watch(struct yard *yard);

/* Lets time pass. */
void yard_pass(struct yard *yard, double seconds);

/* The starter engages, or lets go, now. */
void yard_engage(struct yard *yard);
void yard_release(struct yard *yard);

/* The n-th note of that trigger (from 0), or NULL; how many there are. */
const struct yard_note *yard_note(const struct yard *yard, const char *trigger, size_t n);
size_t yard_count(const struct yard *yard, const char *trigger);

#endif
