#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""wheel_reference.py - the edges of a turn by numpy's correlation, for wheel_track_test.c.

Reads times of edges of one direction, one a line, on standard input. Prints after how many edges
the logarithms of the intervals, less their moving average, correlate best with themselves (the
fewest that do so nearly as well), and the longest interval of a turn in average ones. Exits with 77
where numpy is not there.
"""
import sys

try:
    import numpy
except ImportError:
    sys.exit(77)

NEARLY = 0.9
MOST = 130

times = numpy.loadtxt(sys.stdin)
logs = numpy.log(numpy.diff(times))
window = 2 * min(36, len(logs) // 8) + 1
half = window // 2
logs = logs[half:-half] - numpy.convolve(logs, numpy.ones(window) / window, "valid")
correlation = numpy.array([numpy.corrcoef(logs[lag:], logs[:-lag])[0, 1]
                           for lag in range(2, min(MOST, len(logs) // 2))])
edges = 2 + int(numpy.flatnonzero(correlation >= NEARLY * correlation.max())[0])
intervals = numpy.diff(times)
turns = len(intervals) // edges
intervals = intervals[:turns * edges].reshape(turns, edges)
shares = numpy.median(intervals / intervals.mean(axis=1, keepdims=True), axis=0)
print(edges)
print(shares.max())
