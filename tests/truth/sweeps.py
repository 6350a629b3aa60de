# SPDX-License-Identifier: Apache-2.0
"""Faults of a chosen size: how small, short, slow-sampled or noisy a fault is still found?

A kind with its sizes behind colons: `feed-dip:0.5:0.01` is a dip by 0.5 V for 10 ms.
"""
import numpy

import faults
import faults_signal
from worker import Worker, key_end, say, within_cranking


class Sized(Worker):
    def __init__(self, *sizes):
        self.sizes = [float(size) for size in sizes]

    def plan(self, case):
        case.options.update(outcome="did-not-start", kind="hall", nominal="5", rate=10000.0,
                            bits=12, hidden=False, sensors=1)


class FeedDip(Sized):
    """VOLTS, SECONDS: one dip of a 5 V feed while the starter turns."""
    def wires(self, case):
        depth, length = self.sizes
        sensor, time = case.sensors[0], case.machine.time
        onset = within_cranking(case, 0.5)
        dip = (time >= onset) & (time < onset + length)
        feed = case.feeds[sensor.feed]
        case.feeds[sensor.feed] = numpy.where(dip, feed - depth, feed)
        say(case, "feed-collapse", "feed", onset, onset + length, sensor, sensor.feed,
            also=["feed-off-level"])


class ReturnLevel(Sized):
    """VOLTS: a return that stands so high from key-on."""
    def wires(self, case):
        sensor = case.sensors[0]
        case.returns[sensor.low_side] = self.sizes[0] * case.machine.key
        say(case, "return-rise", "return", case.machine.key_on, key_end(case), sensor,
            sensor.low_side, slack=0.1)


class MissingPulses(Sized):
    """COUNT, TIMES: so many pulses in a row are missing, so often; the hookup tells the wheel."""
    told = True

    def plan(self, case):
        super().plan(case)
        case.options.update(wheel="36-1", length=4.0, tell_wheel=self.told)

    def wires(self, case):
        count, times = int(self.sizes[0]), int(self.sizes[1])
        sensor, machine = case.sensors[0], case.machine
        sensor.dead = numpy.zeros(len(machine.time), dtype=bool)
        for turn in range(times):
            at = case.main.engage + 1.0 + 2.0 * turn / times
            # Whole teeth, clear of the wheel's own gap, and at another place in each turn: always
            # the same ones would be a wheel with a further gap.
            turns = numpy.interp(at, machine.time, machine.angle)
            last_tooth = sensor.windows[-1][0] % 1.0
            begin = numpy.floor(turns) + last_tooth + case.rng.integers(4, 26) / 36
            begin += sensor.windows[0][1] + 0.1 / 36
            place = (machine.angle >= begin) & (machine.angle < begin + count / 36)
            sensor.dead |= place
        sensor.level = 1
        onset = machine.time[numpy.flatnonzero(sensor.dead)[0]]
        say(case, "signal-gaps", "signal", onset, None, sensor, sensor.signal,
            also=["signal-lost"], slack=60 / case.main.rpm / 36)


class MissingUntold(MissingPulses):
    """COUNT, TIMES: the same of a wheel that the hookup does not tell."""
    told = False


class Sampled(Sized):
    """SAMPLES A SECOND: a feed that collapses."""
    inner = faults.FeedCollapse

    def plan(self, case):
        self.inner().plan(case)
        case.options.update(rate=self.sizes[0], bits=12, hidden=False, nominal="5", sensors=1,
                            kind="hall", wheel="36-1", rpm=case.rng.uniform(130, 240),
                            outcome="did-not-start")

    def wires(self, case):
        self.inner().wires(case)


class SampledLost(Sampled):
    """SAMPLES A SECOND: a signal that is lost."""
    inner = faults_signal.SignalLost


class Noise(Sampled):
    """TIMES THE USUAL NOISE: a feed that collapses."""
    def plan(self, case):
        self.inner().plan(case)
        case.options.update(rate=10000.0, noise=self.sizes[0], hidden=False, nominal="5",
                            sensors=1, kind="hall", outcome="did-not-start")


KINDS = {"feed-dip": FeedDip, "return-level": ReturnLevel, "missing-pulses": MissingPulses,
         "missing-untold": MissingUntold,
         "feed-at-rate": Sampled, "signal-at-rate": SampledLost, "feed-in-noise": Noise}
