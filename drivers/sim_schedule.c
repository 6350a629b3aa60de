// SPDX-License-Identifier: Apache-2.0
/*
 * sim_schedule.c - the attempts of a simulated night.
 *
 * A span is cut into as many slots as there are attempts; each lies somewhere within its slot, so
 * they are irregular and never overlap.
 */
#include "sim_schedule.h"

#include "sim_random.h"

#include <math.h>

#define SHORTEST_RUN_S 8.0
#define EARLIEST_S     2.0  /* after its slot begins */
#define FIRST_LIVE_S   10.0 /* nobody wants to wait long for the first one of an endless run */
#define AROUND_RUN_S   35.0 /* the longest door, key, cranking and settling, without the run */

static void draw(struct sim_attempt *attempt, double slot_s, struct sim_random *random) {
    double door_open_s = sim_random_between(random, 4.0, 12.0);
    double key_to_start_s = sim_random_between(random, 1.0, 4.0);
    attempt->give_up_s = sim_random_between(random, 4.0, 7.0);
    attempt->catch_after_s = sim_random_between(random, 0.6, 1.8);
    attempt->let_go_s = sim_random_between(random, 0.3, 0.55);
    double run_s = sim_random_between(random, 20.0, 240.0);
    attempt->run_s = fmax(fmin(run_s, slot_s - AROUND_RUN_S - EARLIEST_S), SHORTEST_RUN_S);
    attempt->wait_s = sim_random_between(random, 1.0, 2.5);
    attempt->idle_rpm = sim_random_between(random, 760.0, 980.0);
    attempt->friction = sim_random_between(random, 0.93, 1.05);
    attempt->alternator_s = sim_random_between(random, 0.8, 3.0);
    attempt->regulated_volts = sim_random_between(random, 14.15, 14.35);

    double room_s = slot_s - attempt->run_s - AROUND_RUN_S;
    attempt->door_s = sim_random_between(random, EARLIEST_S, fmax(room_s, EARLIEST_S));
    attempt->key_on_s = attempt->door_s + door_open_s;
    attempt->engage_s = attempt->key_on_s + key_to_start_s;
}

bool sim_schedule_next(struct sim_schedule *schedule, struct sim_attempt *attempt) {
    if (schedule->attempts == 0 || (!schedule->endless && schedule->next >= schedule->attempts))
        return false;
    uint64_t span = schedule->next / schedule->attempts;
    unsigned index = (unsigned)(schedule->next % schedule->attempts);
    double slot_s = schedule->span_s / schedule->attempts;
    double slot_from_s = (double)span * schedule->span_s + index * slot_s;

    struct sim_random random = sim_random_new(schedule->seed, schedule->next);
    draw(attempt, slot_s, &random);
    double shift_s = slot_from_s;
    if (schedule->endless && schedule->next == 0)
        shift_s = FIRST_LIVE_S - attempt->door_s;
    attempt->door_s += shift_s;
    attempt->key_on_s += shift_s;
    attempt->engage_s += shift_s;
    attempt->fault_seed = random.state;
    attempt->fault = index + 1 == schedule->fault_attempt ? schedule->fault : SIM_FAULT_NONE;
    schedule->next++;
    return true;
}
