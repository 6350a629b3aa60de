// SPDX-License-Identifier: Apache-2.0
/*
 * chance.h - exact bounds of a share seen in a few attempts, and what follows from them.
 *
 * Nothing here is approximated by a normal distribution: nights have few attempts.
 */
#ifndef CRANKTRAP_CHANCE_H
#define CRANKTRAP_CHANCE_H

/* Ways to pick `picked` out of `all`; 0 where picked > all. A double, whole up to 2^53. */
double chance_ways(unsigned all, unsigned picked);

/* Probability of at least `least` hits in `tries` at `share` (0..1) each: binomial upper tail. */
double chance_at_least(unsigned least, unsigned tries, double share);

/*
 * Exact two-sided 95 % interval of the share behind `hits` in `tries` (Clopper and Pearson, The use
 * of confidence or fiducial limits illustrated in the case of the binomial, Biometrika 26, 1934).
 * Without tries: 0 and 1.
 */
void chance_interval(unsigned hits, unsigned tries, double *low, double *high);

/*
 * The fewest clean starts in a row that a fault failing `share` of the starts would leave with a
 * probability below `doubt`: the smallest n with (1 - share)^n < doubt. 0: no number would do
 * (share <= 0).
 */
unsigned chance_clean_starts(double share, double doubt);

#endif
