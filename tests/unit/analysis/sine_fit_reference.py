#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""sine_fit_reference.py - the same sine by scipy's least squares, for sine_fit_test.c.

Reads "count period_s guess_hz" and `count` values on standard input; prints frequency, amplitude,
phase, offset and the rms residual of scipy.optimize.least_squares over the four parameters. Exits
with 77 where numpy or scipy are not there.
"""
import sys

try:
    import numpy
    from scipy import optimize
except ImportError:
    sys.exit(77)

words = sys.stdin.read().split()
count, period, guess = int(words[0]), float(words[1]), float(words[2])
values = numpy.array(words[3:3 + count], dtype=float)
time = numpy.arange(count) * period


def left(parameters):
    frequency, amplitude, phase, offset = parameters
    return amplitude * numpy.sin(2 * numpy.pi * frequency * time + phase) + offset - values


swing = (values.max() - values.min()) / 2
best = min((optimize.least_squares(left, [frequency, swing, phase, values.mean()], method="lm",
                                   xtol=1e-15, ftol=1e-15, gtol=1e-15)
            for frequency in (guess, guess - 0.2 / time[-1], guess + 0.2 / time[-1])
            for phase in (0, 1.57, 3.14, -1.57)), key=lambda found: found.cost)
frequency, amplitude, phase, offset = best.x
if amplitude < 0:
    amplitude, phase = -amplitude, phase + numpy.pi
phase = (phase + numpy.pi) % (2 * numpy.pi) - numpy.pi
rms = numpy.sqrt(numpy.mean(left(best.x) ** 2))
for number in (frequency, amplitude, phase, offset, rms):
    print("%.17g" % number)
