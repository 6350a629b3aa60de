// SPDX-License-Identifier: Apache-2.0
/*
 * sim_random.h - random numbers of the simulated board: the same for the same seed, everywhere.
 */
#ifndef CRANKTRAP_SIM_RANDOM_H
#define CRANKTRAP_SIM_RANDOM_H

#include <stdint.h>

/* A stream of random numbers; copy it to branch off. */
struct sim_random {
    uint64_t state;
};

/*
 * Number `index` of the stream `seed`, index 0 being the first: SplitMix64 ("Fast splittable
 * pseudorandom number generators", OOPSLA 2014). Any number can be had without those before it.
 */
static inline uint64_t sim_random_at(uint64_t seed, uint64_t index) {
    uint64_t z = seed + (index + 1) * UINT64_C(0x9e3779b97f4a7c15);
    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return z ^ (z >> 31);
}

/* A stream of its own for every pair of seed and purpose. */
struct sim_random sim_random_new(uint64_t seed, uint64_t purpose);

/* The next number, 0 <= low <= x < high. */
double sim_random_between(struct sim_random *random, double low, double high);

#endif
