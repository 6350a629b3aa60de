#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""statistics_reference.py - the same statistics by numpy and scipy, for statistics_test.c.

Reads counts, one a line, on standard input and prints: average, 95th percentile, standard deviation
of the noise (from the steps), the two state levels by the histogram method of IEEE Std 181 (100
bins; a state is the mean of its half's fullest bin and the two on either side), and the share of the
samples above the middle. Exits with 77 where numpy or scipy are not there.
"""
import sys

try:
    import numpy
    from scipy import stats
except ImportError:
    sys.exit(77)


def state(samples, bins, numbers):
    fullest = stats.mode(bins[numpy.isin(bins, numbers)], keepdims=False).mode
    near = numpy.isin(bins, numbers) & (numpy.abs(bins - fullest) <= 2)
    return samples[near].mean()


samples = numpy.loadtxt(sys.stdin)
edges = numpy.linspace(samples.min(), samples.max(), 101)
bins = numpy.clip(numpy.digitize(samples, edges) - 1, 0, 99)
low = state(samples, bins, range(0, 50))
high = state(samples, bins, range(50, 100))
print(samples.mean())
print(numpy.percentile(samples, 95))
print(numpy.abs(numpy.diff(samples)).mean() * numpy.sqrt(numpy.pi) / 2.0)
print(low)
print(high)
print((samples > (low + high) / 2).mean())
