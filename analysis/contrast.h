// SPDX-License-Identifier: Apache-2.0
/*
 * contrast.h - which readings were different in the attempts that failed from those that started.
 *
 * An exact permutation test on ranks. The readings are held as they are and the labels "failed" and
 * "started" are dealt out anew in every possible way; how often does a reading then lie as far to
 * one side as it did? For readings without ties this is the exact two-sided rank-sum test (Mann and
 * Whitney, Annals of Mathematical Statistics 18, 1947); for a yes/no reading it is an exact test of
 * the 2 x 2 table, two-sided by distance from what is expected.
 *
 * Many readings are compared, and one of them is always the most different. So each is also given
 * the share of the deals in which any reading is as improbable as this one (Westfall and Young,
 * Resampling-Based Multiple Testing, 1993: single-step minP). Readings that move together cost
 * nothing more that way.
 */
#ifndef CRANKTRAP_CONTRAST_H
#define CRANKTRAP_CONTRAST_H

#include <stdbool.h>
#include <stddef.h>

/* Beyond this many ways to deal the labels a fixed random choice of as many stands for all. */
#define CONTRAST_DEALS 5000

struct contrast {
    size_t failed, started;         /* attempts that have this reading */
    double failed_low, failed_high; /* its range in those; NAN without any */
    double started_low, started_high;
    int side;   /* -1: lower in every failed one than in any that started, 1: higher, 0: neither */
    double gap; /* between the two ranges, as a share (0..1) of both together; 0: they meet */
    double chance;        /* two-sided, of this reading by itself; 1 where it cannot be compared */
    double chance_of_any; /* that any of the readings compared is as improbable; >= chance */
};

/*
 * `values` holds `readings` rows of `attempts` values; NAN: the attempt lacks it (it then speaks
 * for neither side). `failed` says which attempts failed; all others started. Writes `readings`
 * results. 0, or -ENOMEM with `results` untouched.
 */
int contrast_compare(const bool *failed, size_t attempts, const double *values, size_t readings,
                     struct contrast *results);

#endif
