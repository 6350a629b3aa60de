// SPDX-License-Identifier: Apache-2.0
/*
 * contrast.c - ranks, all deals of the labels, and the least probable reading of each deal.
 */
#include "contrast.h"

#include "chance.h"

#include <errno.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

/* The deals: which attempts carry the rarer label. The first is the one that happened. */
struct deals {
    size_t attempts;
    size_t drawn; /* attempts per deal */
    size_t count;
    size_t *picks; /* count x drawn */
};

/* Twice the distance of each value's rank from the mean rank: whole numbers, 0 without value. */
static void scores_of(const double *values, size_t count, int64_t *scores) {
    for (size_t i = 0; i < count; i++) {
        scores[i] = 0;
        for (size_t j = 0; j < count && !isnan(values[i]); j++)
            scores[i] += (values[j] < values[i]) - (values[j] > values[i]);
    }
}

/* The next choice of `drawn` out of `attempts` in dictionary order; `pick` holds the last one. */
static void next_choice(size_t *pick, size_t drawn, size_t attempts) {
    size_t i = drawn;
    while (i-- > 0 && pick[i] == attempts - drawn + i)
        ;
    if (i >= drawn)
        return;
    pick[i]++;
    for (size_t j = i + 1; j < drawn; j++)
        pick[j] = pick[j - 1] + 1;
}

/* Fixed seed: the same night gives the same answer. */
static uint64_t random_number(uint64_t *state) {
    *state += 0x9e3779b97f4a7c15U;
    uint64_t z = *state;
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9U;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebU;
    return z ^ (z >> 31);
}

static void random_choice(size_t *pick, size_t drawn, size_t attempts, uint64_t *state) {
    size_t taken = 0;
    for (size_t i = 0; i < attempts && taken < drawn; i++)
        if (random_number(state) % (attempts - i) < drawn - taken)
            pick[taken++] = i;
}

static void deal_all(struct deals *deals) {
    for (size_t i = 0; i < deals->drawn; i++)
        deals->picks[deals->drawn + i] = i;
    for (size_t i = 2; i < deals->count; i++) {
        size_t *pick = deals->picks + i * deals->drawn;
        memcpy(pick, pick - deals->drawn, deals->drawn * sizeof *pick);
        next_choice(pick, deals->drawn, deals->attempts);
    }
}

/*
 * Deal 0 is what happened. Where all are dealt it comes twice in memory, and the first is left out
 * of the count by the caller.
 */
static int deals_make(const bool *failed, size_t attempts, struct deals *deals, bool *all) {
    size_t count = 0;
    for (size_t i = 0; i < attempts; i++)
        count += failed[i];
    bool rarer = count <= attempts - count;
    deals->attempts = attempts;
    deals->drawn = rarer ? count : attempts - count;
    double ways = chance_ways((unsigned)attempts, (unsigned)deals->drawn);
    *all = ways <= CONTRAST_DEALS;
    deals->count = *all ? (size_t)ways + 1 : CONTRAST_DEALS;
    deals->picks = calloc(deals->count * (deals->drawn + 1), sizeof *deals->picks);
    if (!deals->picks)
        return -ENOMEM;
    size_t taken = 0;
    for (size_t i = 0; i < attempts; i++)
        if (failed[i] == rarer)
            deals->picks[taken++] = i;
    uint64_t state = 1;
    if (*all)
        deal_all(deals);
    for (size_t i = 1; i < deals->count && !*all; i++)
        random_choice(deals->picks + i * deals->drawn, deals->drawn, attempts, &state);
    return 0;
}

static int by_size(const void *a, const void *b) {
    int64_t x = *(const int64_t *)a;
    int64_t y = *(const int64_t *)b;
    return (x > y) - (x < y);
}

/* How many of the sorted `sums` are `sum` or more. */
static size_t at_least(const int64_t *sorted, size_t count, int64_t sum) {
    size_t low = 0;
    size_t high = count;
    while (low < high) {
        size_t middle = (low + high) / 2;
        if (sorted[middle] < sum)
            low = middle + 1;
        else
            high = middle;
    }
    return count - low;
}

struct working {
    struct deals deals;
    size_t begin; /* deals before it are not counted */
    int64_t *scores, *sums, *sorted;
    size_t *rarest; /* per deal: the smallest count of any reading */
    size_t *own;    /* per reading: the count of the deal that happened */
};

/* One reading over all deals: how many of them lie as far from the middle as each. */
static void judge_reading(struct working *work, const double *values, size_t reading) {
    const struct deals *deals = &work->deals;
    size_t counted = deals->count - work->begin;
    scores_of(values, deals->attempts, work->scores);
    for (size_t i = 0; i < deals->count; i++) {
        int64_t sum = 0;
        for (size_t j = 0; j < deals->drawn; j++)
            sum += work->scores[deals->picks[i * deals->drawn + j]];
        work->sums[i] = sum < 0 ? -sum : sum;
    }
    memcpy(work->sorted, work->sums + work->begin, counted * sizeof *work->sorted);
    qsort(work->sorted, counted, sizeof *work->sorted, by_size);
    for (size_t i = 0; i < deals->count; i++) {
        size_t as_far = at_least(work->sorted, counted, work->sums[i]);
        if (as_far < work->rarest[i])
            work->rarest[i] = as_far;
        if (i == 0)
            work->own[reading] = as_far;
    }
}

static void widen(double value, double *low, double *high) {
    *low = fmin(*low, value); /* of a number and NAN these give the number */
    *high = fmax(*high, value);
}

static struct contrast ranges_of(const bool *failed, const double *values, size_t attempts) {
    double nan = (double)NAN;
    struct contrast range = {0, 0, nan, nan, nan, nan, 0, 0.0, 1.0, 1.0};
    for (size_t i = 0; i < attempts; i++) {
        if (isnan(values[i]))
            continue;
        if (failed[i])
            widen(values[i], &range.failed_low, &range.failed_high);
        else
            widen(values[i], &range.started_low, &range.started_high);
        range.failed += failed[i];
        range.started += !failed[i];
    }
    if (range.failed_high < range.started_low)
        range.side = -1;
    else if (range.failed_low > range.started_high)
        range.side = 1;
    double whole =
        fmax(range.failed_high, range.started_high) - fmin(range.failed_low, range.started_low);
    if (range.side)
        range.gap = (range.side < 0 ? range.started_low - range.failed_high
                                    : range.failed_low - range.started_high) /
                    whole;
    return range;
}

static int working_make(struct working *work, const bool *failed, size_t attempts,
                        size_t readings) {
    bool all;
    int result = deals_make(failed, attempts, &work->deals, &all);
    if (result < 0)
        return result;
    work->begin = all ? 1 : 0;
    size_t deals = work->deals.count;
    work->scores = calloc(attempts + 1, sizeof *work->scores);
    work->sums = calloc(deals, sizeof *work->sums);
    work->sorted = calloc(deals, sizeof *work->sorted);
    work->rarest = malloc(deals * sizeof *work->rarest);
    work->own = calloc(readings + 1, sizeof *work->own);
    if (!work->scores || !work->sums || !work->sorted || !work->rarest || !work->own)
        return -ENOMEM;
    for (size_t i = 0; i < deals; i++)
        work->rarest[i] = deals;
    return 0;
}

static void working_done(struct working *work) {
    free(work->deals.picks);
    free(work->scores);
    free(work->sums);
    free(work->sorted);
    free(work->rarest);
    free(work->own);
}

int contrast_compare(const bool *failed, size_t attempts, const double *values, size_t readings,
                     struct contrast *results) {
    struct working work = {0};
    int result = working_make(&work, failed, attempts, readings);
    for (size_t i = 0; result == 0 && i < readings; i++) {
        judge_reading(&work, values + i * attempts, i);
        results[i] = ranges_of(failed, values + i * attempts, attempts);
    }
    for (size_t i = 0; result == 0 && i < readings; i++) {
        size_t any = 0;
        for (size_t j = work.begin; j < work.deals.count; j++)
            any += work.rarest[j] <= work.own[i];
        double counted = (double)(work.deals.count - work.begin);
        results[i].chance = (double)work.own[i] / counted;
        results[i].chance_of_any = (double)any / counted;
    }
    working_done(&work);
    return result;
}
