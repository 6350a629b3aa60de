# SPDX-License-Identifier: Apache-2.0
"""Position sensors: wheels, hall outputs and inductive windings, from the wires that feed them."""
import numpy


def wheel_windows(wheel, rng):
    """(begin, width) of the teeth in one revolution of the wheel (0..1)."""
    if wheel == "cam-pulse":
        return [(rng.uniform(0, 0.5), rng.uniform(0.1, 0.4))]
    if wheel == "uneven":
        count = int(rng.integers(3, 7))
        begins = (numpy.arange(count) + rng.uniform(-0.12, 0.12, count)) / count + 0.2 / count
        return [(begin, rng.uniform(0.25, 0.5) / count) for begin in begins]
    if wheel == "coded":
        pattern = rng.permutation([0.3, 0.7] * 12)
        return [(tooth / 24, width / 24) for tooth, width in enumerate(pattern)]
    parts = [int(part) for part in wheel.split("-")]
    places, gaps = parts[0], parts[1:]
    duty = rng.uniform(0.4, 0.6) if places > 4 else rng.uniform(0.15, 0.5)
    missing = set()
    for index, gap in enumerate(gaps):
        last = places * (index + 1) // len(gaps)
        missing |= set(range(last - gap, last))
    mounted = rng.uniform(0, 1)
    return [(tooth / places + mounted, duty / places) for tooth in range(places)
            if tooth not in missing]


def shortest_state(windows):
    """The narrowest tooth or space, in revolutions of the wheel."""
    begins = sorted(begin % 1.0 for begin, _ in windows)
    pitches = numpy.diff(begins + [begins[0] + 1])
    widths = [width for _, width in sorted(windows, key=lambda window: window[0] % 1.0)]
    return min(min(widths), float(numpy.min(pitches - widths)))


def at_tooth(turns, windows):
    """Is a tooth before the sensor? `turns`: revolutions of the wheel."""
    place = turns % 1.0
    tooth = numpy.zeros(len(turns), dtype=bool)
    for begin, width in windows:
        tooth |= (place - begin) % 1.0 < width
    return tooth


def hall_output(tooth, feed, low_side, pull_up, drop):
    """An open-collector output; without some 3 V across it the sensor lets go.

    A foot that floats above the output lifts it through the substrate's diode.
    """
    powered = feed - low_side > 3.0
    idle = numpy.where(powered, pull_up, numpy.maximum(pull_up, low_side - 0.7))
    return numpy.where(tooth & powered, low_side + drop, idle), powered


def winding(turns, windows, speed, volts_at_200, resolution=20000):
    """An inductive winding: the slope of a rounded wheel outline, in proportion to the speed."""
    place = numpy.arange(resolution) / resolution
    outline = at_tooth(place, windows).astype(float)
    narrowest = min(width for _, width in windows)
    spread = max(3, int(narrowest * 0.9 * resolution))
    kernel = numpy.hanning(spread + 2)[1:-1]
    spectrum = numpy.fft.rfft(outline) * numpy.fft.rfft(kernel / kernel.sum(), resolution)
    slope = numpy.gradient(numpy.fft.irfft(spectrum, resolution))
    slope /= numpy.abs(slope).max()
    return volts_at_200 * speed / 200 * slope[(turns % 1.0 * resolution).astype(int) % resolution]
