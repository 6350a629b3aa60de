#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""night_reference.py - the contrast of a night by numpy, scipy and brute force, for night_test.c.

Standard input: a line of labels (1 failed, 0 started), then a line of values per reading ("nan":
none). Prints per reading the exact two-sided chance and the chance that any reading is as
improbable (single-step minP over all deals of the labels), from scipy's ranks. A reading without
ties and gaps is checked here against mannwhitneyu (exact), a yes/no reading that divides the two
groups against fisher_exact.
With "interval HITS TRIES": the two-sided exact 95 % interval of binomtest, and the binomial tail.
Exits with 77 where numpy or scipy are not there.
"""
import itertools
import sys

try:
    import numpy
    from scipy import stats
except ImportError:
    sys.exit(77)


def scores(values):
    there = ~numpy.isnan(values)
    out = numpy.zeros(len(values))
    out[there] = stats.rankdata(values[there]) - (there.sum() + 1) / 2
    return out


def check_beside(labels, values, chance):
    if numpy.isnan(values).any():
        return
    failed, started = values[labels], values[~labels]
    if len(set(values)) == len(values):
        beside = stats.mannwhitneyu(failed, started, method="exact").pvalue
        assert abs(beside - chance) < 1e-9, (beside, chance)
    if set(values) == {0.0, 1.0} and set(failed).isdisjoint(set(started)):
        table = [[(failed == 1).sum(), (failed == 0).sum()],
                 [(started == 1).sum(), (started == 0).sum()]]
        beside = stats.fisher_exact(table).pvalue
        assert abs(beside - chance) < 1e-9, (beside, chance)


def contrast():
    rows = [numpy.array(line.split(), float) for line in sys.stdin if line.strip()]
    labels, readings = rows[0] == 1, rows[1:]
    deals = list(itertools.combinations(range(len(labels)), int(labels.sum())))
    own = deals.index(tuple(numpy.flatnonzero(labels)))
    chances = []
    for values in readings:
        sums = numpy.array([abs(scores(values)[list(deal)].sum()) for deal in deals])
        chances.append(numpy.array([(sums >= one - 1e-9).mean() for one in sums]))
    least = numpy.min(chances, axis=0)
    for values, chance in zip(readings, chances):
        check_beside(labels, values, chance[own])
        print(chance[own], (least <= chance[own] + 1e-12).mean())


def interval(hits, tries):
    bounds = stats.binomtest(hits, tries).proportion_ci(method="exact")
    print(bounds.low, bounds.high)
    print(stats.binom.sf(hits - 1, tries, 0.3))


if sys.argv[1:2] == ["interval"]:
    interval(int(sys.argv[2]), int(sys.argv[3]))
else:
    contrast()
