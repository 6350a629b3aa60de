# SPDX-License-Identifier: Apache-2.0
"""Probes that are wrong on a vehicle that is not."""
import numpy

from worker import Worker, say, within_cranking


class LeadSuspect(Worker):
    """A probe is wrong, the vehicle is not."""
    KINDS = ["feed probe off", "feed and return swapped", "battery wrong by ten",
             "24 V truck, 12 V hookup", "input copies its neighbour", "signal probe off",
             "feed probe never on", "signal probe never on", "current clamp the wrong way round"]

    def plan(self, case):
        self.kind = str(case.rng.choice(self.KINDS))
        case.options.update(outcome="started", kind="hall", sensors=int(case.rng.integers(1, 3)))
        if self.kind.startswith("24"):
            case.options.update(system=24, said_system=12)
        elif self.kind.startswith("battery"):
            case.options.update(system=12)
        elif self.kind.startswith("current"):
            case.options["need"].add("starter-current")

    def leads(self, case):
        sensor, rng, time = case.sensors[0], case.rng, case.machine.time
        feed, low_side = case.channel(sensor.feed), case.channel(sensor.low_side)
        onset, wrong = None, feed
        if self.kind == "feed probe off":
            onset = within_cranking(case)
            feed.values = numpy.where(time >= onset, rng.uniform(-0.05, 0.05), feed.values)
        elif self.kind.startswith("feed and"):
            feed.values, low_side.values = low_side.values, feed.values
            low_side.lowest, low_side.highest = feed.lowest, feed.highest
        elif self.kind.startswith("battery"):
            wrong = case.channel("battery")
            wrong.values, wrong.highest = wrong.values / 10, 6.0
        elif self.kind.startswith("24"):
            wrong = case.channel("battery")
        elif self.kind == "feed probe never on":
            feed.values = feed.values * 0 + rng.uniform(-0.05, 0.05)
        elif self.kind == "signal probe never on":
            wrong = case.channel(sensor.signal)
            wrong.values = wrong.values * 0 + rng.uniform(-0.02, 0.02)
        elif self.kind.startswith("current"):
            wrong = case.channel("starter-current")
            wrong.values, wrong.lowest = -wrong.values, -1200.0
        elif self.kind.startswith("input"):
            wrong = low_side
            low_side.values, low_side.highest = feed.values * 0.98, feed.highest
        else:
            wrong = case.channel(sensor.signal)
            onset = within_cranking(case, 0.8)
            wrong.values = numpy.where(time >= onset, rng.uniform(-0.02, 0.02), wrong.values)
        say(case, "lead-suspect", "hookup", onset, None, None, wrong.name, self.kind)
