// SPDX-License-Identifier: Apache-2.0
/*
 * sim_schedule.h - what happens in a simulated night, and when: the attempts to start.
 *
 * Every attempt draws its own numbers from the seed and its number, so the same night with and
 * without a fault differs in nothing else.
 */
#ifndef CRANKTRAP_SIM_SCHEDULE_H
#define CRANKTRAP_SIM_SCHEDULE_H

#include "sim_fault.h"

#include <stdbool.h>
#include <stdint.h>

#define SIM_ATTEMPT_LEAST_S 45.0 /* the least room an attempt needs in the night */

struct sim_schedule {
    uint64_t seed;
    double span_s;     /* the length of the night; of the hour that comes again, where endless */
    bool endless;      /* after `span_s` comes another span, with `attempts` new attempts */
    unsigned attempts; /* in a span */
    enum sim_fault_kind fault;
    unsigned fault_attempt; /* which one of a span, from 1 */
    uint64_t next;          /* attempts handed out so far */
};

/* One attempt as planned; times in seconds since the beginning. */
struct sim_attempt {
    double door_s;        /* somebody gets in */
    double key_on_s;      /* the key is turned on */
    double engage_s;      /* the starter engages */
    double give_up_s;     /* cranking lasts at most so long */
    double catch_after_s; /* the engine catches after so long of usable crank signal */
    double let_go_s;      /* the driver's reaction once it has caught */
    double run_s;         /* how long a started engine runs */
    double wait_s;        /* key still on after a failed attempt */
    double idle_rpm;
    double friction;        /* of a standard engine's: it is colder or warmer */
    double alternator_s;    /* running until it charges */
    double regulated_volts; /* while it does */
    enum sim_fault_kind fault;
    uint64_t fault_seed;
};

/* The next attempt, in order of time; false: no more come. */
bool sim_schedule_next(struct sim_schedule *schedule, struct sim_attempt *attempt);

#endif
