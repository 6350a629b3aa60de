// SPDX-License-Identifier: Apache-2.0
/*
 * chance.c - binomial sums and their inverse by bisection.
 */
#include "chance.h"

#include <math.h>
#include <stdint.h>

/* Two-sided 95 %: this much on either side. */
#define TAIL 0.025
/* Halvings of 0..1 until a double cannot be halved further. */
#define HALVINGS 60

double chance_ways(unsigned all, unsigned picked) {
    if (picked > all)
        return 0.0;
    if (picked > all - picked)
        picked = all - picked;
    double ways = 1.0;
    for (unsigned i = 1; i <= picked; i++)
        ways = ways * (double)(all - picked + i) / (double)i;
    return round(ways);
}

double chance_at_least(unsigned least, unsigned tries, double share) {
    if (least == 0)
        return 1.0;
    if (least > tries || share <= 0.0)
        return 0.0;
    if (share >= 1.0)
        return 1.0;
    double sum = 0.0;
    for (unsigned hits = least; hits <= tries; hits++)
        sum += exp(lgamma(tries + 1.0) - lgamma(hits + 1.0) - lgamma(tries - hits + 1.0) +
                   hits * log(share) + (tries - hits) * log1p(-share));
    return fmin(sum, 1.0);
}

/* The share at which at least `least` hits in `tries` have the probability `wanted`. */
static double share_of(unsigned least, unsigned tries, double wanted) {
    double low = 0.0;
    double high = 1.0;
    for (int i = 0; i < HALVINGS; i++) {
        double middle = (low + high) / 2.0;
        if (chance_at_least(least, tries, middle) < wanted)
            low = middle;
        else
            high = middle;
    }
    return (low + high) / 2.0;
}

void chance_interval(unsigned hits, unsigned tries, double *low, double *high) {
    *low = hits == 0 || tries == 0 ? 0.0 : share_of(hits, tries, TAIL);
    *high = hits >= tries ? 1.0 : share_of(hits + 1, tries, 1.0 - TAIL);
}

unsigned chance_clean_starts(double share, double doubt) {
    if (!(share > 0.0))
        return 0;
    if (share >= 1.0)
        return 1;
    double starts = floor(log(doubt) / log1p(-share)) + 1.0;
    return starts < (double)UINT32_MAX ? (unsigned)starts : UINT32_MAX;
}
