// SPDX-License-Identifier: Apache-2.0
/*
 * sim_random.c - random numbers of the simulated board.
 */
#include "sim_random.h"

struct sim_random sim_random_new(uint64_t seed, uint64_t purpose) {
    return (struct sim_random){sim_random_at(sim_random_at(seed, 0), purpose)};
}

double sim_random_between(struct sim_random *random, double low, double high) {
    uint64_t bits = sim_random_at(random->state, 0);
    random->state += UINT64_C(0x9e3779b97f4a7c15);
    double share = (double)(bits >> 11) * 0x1p-53;
    return low + share * (high - low);
}
