#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""spectrum_reference.py - the same powers by numpy and scipy, for spectrum_test.c.

Reads "count step_s lines" and `count` values on standard input. Takes away, by least squares, the
mean, slope, bend and exponentials of 0.04, 0.1 and 0.25 s; tapers by a Hann window that is
symmetrical about the middle; prints the power at 1, 2, ... `lines` over the length, as scipy's
periodogram gives it, for white noise of unit variance to have the mean 1. Then the chances that
scipy's F distribution of 2 and 6 degrees of freedom exceeds 1, 10 and 100. Exits with 77 where
numpy or scipy are not there.
"""
import sys

try:
    import numpy
    from scipy import signal, stats
except ImportError:
    sys.exit(77)

words = sys.stdin.read().split()
count, step, lines = int(words[0]), float(words[1]), int(words[2])
values = numpy.array(words[3:3 + count], dtype=float)
time = numpy.arange(count) * step
shapes = [time**0, time, time**2] + [numpy.exp(-time / tau) for tau in (0.04, 0.1, 0.25)]
basis = numpy.column_stack(shapes)
values -= basis @ numpy.linalg.lstsq(basis, values, rcond=None)[0]
taper = 0.5 - 0.5 * numpy.cos(2 * numpy.pi * (numpy.arange(count) + 0.5) / count)
_, power = signal.periodogram(values, fs=1.0, window=taper, detrend=False, scaling="density")
for line in range(1, lines + 1):
    print("%.17g" % (power[line] / 2))  # one-sided: both halves lie in one
for ratio in (1, 10, 100):
    print("%.17g" % stats.f.sf(ratio, 2, 6))
