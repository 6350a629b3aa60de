#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""ripple_reference.py - traces of batteries and of noise by numpy, looked at by scipy, for
ripple_test.c.

Prints traces one after the other. Each begins with a line of

    name rate cylinders quiet_s from_s to_s hertz spectrum_hz lag_hz count

hertz: the mean frequency of the compressions in [from_s, to_s), 0 where there are none;
spectrum_hz: where scipy's periodogram of the 2 ms averages has its peak; lag_hz: one over the lag
at which their autocorrelation has its first peak (both 0 where hertz is); then `count` counts of
1 mV. The quiet stretch is [0, quiet_s). "noise N" prints N traces of each kind of noise, else the
other kinds are printed. Exits with 77 where numpy or scipy are not there.
"""
import sys

try:
    import numpy
    from scipy import signal
except ImportError:
    sys.exit(77)

random = numpy.random.default_rng(20260115)


def red(count, memory, deviation):
    """First-order autoregressive noise of that standard deviation."""
    start = random.standard_normal() * deviation
    steps = random.standard_normal(count) * deviation * numpy.sqrt(1 - memory**2)
    return signal.lfilter([1], [1, -memory], steps, zi=[memory * start])[0]


def pink(count, deviation):
    """Noise with a power of 1 / f, by shaping white noise's spectrum."""
    spectrum = numpy.fft.rfft(random.standard_normal(8 * count))
    spectrum[1:] /= numpy.sqrt(numpy.arange(1, len(spectrum)))
    spectrum[0] = 0
    values = numpy.fft.irfft(spectrum)[:count]
    return values * deviation / values.std()


def slices(values, rate, from_s, to_s):
    """Averages of 2 ms without their trend."""
    length = int(rate * 0.002)
    part = values[int(from_s * rate):int(to_s * rate)]
    part = part[:len(part) // length * length].reshape(-1, length).mean(axis=1)
    time = numpy.linspace(-1, 1, len(part))
    return part - numpy.polyval(numpy.polyfit(time, part, 3), time)


def look(values, rate, from_s, to_s):
    part = slices(values, rate, from_s, to_s)
    hertz, power = signal.periodogram(part, fs=500, window="hann", nfft=1 << 16)
    power[hertz < 1.5] = 0
    by_spectrum = hertz[power.argmax()]
    lags = signal.correlate(part, part, mode="full", method="fft")[len(part) - 1:]
    lags /= numpy.arange(len(part), 0, -1)
    peaks = signal.find_peaks(lags[:350], prominence=0.2 * lags[0])[0]
    return by_spectrum, (500.0 / peaks[0] if len(peaks) else 0.0)


def show(name, values, rate, cylinders, quiet_s, from_s, to_s, hertz):
    seen = look(values, rate, from_s, to_s) if hertz else (0.0, 0.0)
    counts = numpy.rint(numpy.asarray(values) * 1000).astype(int)
    print(name, rate, cylinders, quiet_s, from_s, to_s, "%.6f %.6f %.6f" % (hertz, *seen),
          len(counts))
    sys.stdout.write("\n".join(map(str, counts)) + "\n")


def noise(times):
    rate, count = 500, 1000
    for memory in (0.0, 0.5, 0.9, 0.97, 0.99, 0.997):
        for _ in range(times):
            show("red-%g" % memory, 10 + red(count, memory, 0.1), rate, 4, 0, 0, 2, 0)
    for memory in (0.97, 0.99):
        for _ in range(times):
            values = 10 + red(count, memory, 0.1) + 0.1 * random.standard_normal(count)
            show("red-and-white-%g" % memory, values, rate, 0, 0, 0, 2, 0)
    for _ in range(times):
        show("pink", 10 + pink(count, 0.1), rate, 4, 0, 0, 2, 0)


RATE = 5000
START_S, TURNS_S = 3.0, 6.0


def sag(recovery):
    """Rest, a starter's surge, a load that eases, rest again; the time behind the engagement."""
    time = numpy.arange(int((START_S + TURNS_S + 1.0) * RATE)) / RATE
    values = numpy.full(len(time), 12.5)
    turning = (time >= START_S) & (time < START_S + TURNS_S)
    behind = time[turning] - START_S
    values[turning] -= 2.5 + 2.5 * numpy.exp(-behind / 0.08)
    values[turning] += recovery * (1 - numpy.exp(-behind / 1.5))
    return values, turning, behind


def noisy(values, white):
    return values + red(len(values), 0.999, white / 2) + white * random.standard_normal(len(values))


def compressions(rpm, cylinders, efforts, swing):
    """An engine that runs up from rest: each compression a hump of its cylinder's height."""
    values, turning, behind = sag(0.3)
    hertz = rpm * cylinders / 120.0
    speed = hertz * (1 - numpy.exp(-behind / 0.2)) * (1 + 0.03 * numpy.sin(2.1 * behind))
    turned = numpy.cumsum(speed) / RATE
    which = numpy.floor(turned).astype(int) % len(efforts)
    values[turning] -= swing * numpy.take(efforts, which) * numpy.sin(numpy.pi * turned) ** 2
    seen = speed[behind >= 1.0].mean()
    kind = "even" if min(efforts) == max(efforts) else "uneven"
    show("turning-%d-%d-%s" % (cylinders, rpm, kind), noisy(values, 0.01), RATE, cylinders,
         3.0, 4.0, 9.0, seen)


def others():
    for cylinders in (3, 4, 5, 6, 8):
        for rpm in (80, 160, 240, 330):
            compressions(rpm, cylinders, [1] * cylinders, 0.3)
    for efforts in ([1, 0.4, 1, 1], [1, 0, 1, 1], [1, 0.5, 1, 0.5], [1, 0, 0, 1], [1, 0, 1, 0]):
        compressions(200, 4, efforts, 0.4)
    for _ in range(10):
        values, _, _ = sag(random.uniform(0, 1))
        show("held", noisy(values, 0.005), RATE, 4, 3, 3.05, 9, 0)
    for _ in range(10):
        time = numpy.arange(8 * RATE) / RATE
        values = numpy.full(len(time), 12.4)
        for at in random.uniform(0, 8, random.integers(1, 8)):
            easing = 1 + 0.3 * numpy.exp(-numpy.maximum(time - at, 0) / 0.3)
            values -= random.uniform(-0.6, 0.6) * (time > at) * easing
        show("glow-plugs", noisy(values, 0.005), RATE, 4, 0, 1, 8, 0)
    for hertz in (2.5, 5, 8, 13):
        for duty in (0.1, 0.3, 0.5):
            values, turning, behind = sag(0.3)
            values[turning] -= 0.3 * ((behind * hertz) % 1 < duty)
            show("switched-heater", noisy(values, 0.01), RATE, 4, 3, 3.2, 9, 0)
    for hertz in (3, 6, 10, 14):
        for spread in (0.02, 0.1, 0.25):
            time = numpy.arange(8 * RATE) / RATE
            values = numpy.full(len(time), 12.3)
            at = 3.0
            while at < 7.5:  # a solenoid that pulls in, starves itself and lets go
                spreads = 1 + spread * random.standard_normal(2)
                on, off = numpy.maximum(0.5 / hertz * spreads, 0.01)
                pulled = (time >= at) & (time < at + on)
                values[pulled] -= 5 * numpy.exp((at - time[pulled]) / 0.1)
                back = (time >= at + on) & (time < at + on + off)
                values[back] -= 0.6 * numpy.exp((at + on - time[back]) / 0.05)
                at += on + off
            show("chattering-solenoid", noisy(values, 0.01), RATE, 4, 3, 3.2, 7.4, 0)
    for hertz in (0.75, 1.0, 2.2):
        values, _, _ = sag(0.3)
        time = numpy.arange(len(values)) / RATE
        values -= 0.15 * numpy.maximum(0, numpy.sin(2 * numpy.pi * hertz * time)) ** 2
        show("wipers-all-along", noisy(values, 0.01), RATE, 4, 3, 3.2, 9, 0)
    for _ in range(5):
        time = numpy.arange(7 * RATE) / RATE
        pulses = random.uniform(300, 2400) * (time + 0.002 * numpy.sin(time))
        values = 14.2 + 0.2 * numpy.abs(numpy.sin(2 * numpy.pi * pulses))
        show("alternator", noisy(values, 0.01), RATE, 4, 0, 1, 7, 0)


if len(sys.argv) > 1:
    noise(int(sys.argv[2]))
else:
    others()
