# SPDX-License-Identifier: Apache-2.0
"""The faults, each with what follows from it, and the healthy cases that only look like one.

A worker changes a case in three stages: `plan` (before anything happened), `wires` (feeds,
returns, ground and outputs as they are on the vehicle) and `leads` (what the probes make of it).
"""
import numpy


class Worker:
    """A healthy vehicle: changes nothing."""
    def plan(self, case):
        pass

    def wires(self, case):
        pass

    def leads(self, case):
        pass


def say(case, fault, circuit, onset, end=None, sensor=None, channel=None, severity=None, also=()):
    case.label.update(fault=fault, accept=[fault, *also], circuit=circuit, onset=onset, end=end,
                      channel=channel, severity=severity,
                      sensor=sensor.name if sensor is not None else None)


def key_end(case):
    return min(case.machine.key_off, case.machine.time[-1])


def within_cranking(case, earliest=0.3, share=0.6):
    """A moment while the starter turns, early enough to be seen."""
    begin, end = case.main.engage, case.main.catch or case.main.release
    return case.rng.uniform(begin + earliest, begin + max(earliest + 0.05, share * (end - begin)))


class Feed(Worker):
    def plan(self, case):
        case.options.update(outcome="did-not-start", kind="hall")


class FeedCollapse(Feed):
    """A feed lets go and the sensor with it; the battery holds."""
    def wires(self, case):
        rng, time, sensor = case.rng, case.machine.time, case.sensors[0]
        onset = within_cranking(case)
        away = time >= onset
        end, kind = None, rng.choice(["for good", "a while", "chatter"])
        if kind == "a while":
            end = onset + rng.uniform(0.4, 1.2)
            away &= time < end
        elif kind == "chatter":
            place = onset
            while place < case.main.release:
                back = place + rng.uniform(0.02, 0.3)
                again = back + rng.uniform(0.005, 0.08)
                away &= (time < back) | (time >= again)
                place = again
        left = rng.uniform(0.0, 0.9)
        feed = case.feeds[sensor.feed]
        case.feeds[sensor.feed] = numpy.where(away, numpy.minimum(left, feed), feed)
        say(case, "feed-collapse", "feed", onset, end, sensor, sensor.feed, f"to {left:.2f} V, {kind}")
        if len([other for other in case.sensors if other.feed == sensor.feed]) > 1:
            case.label["sensor"] = None


class FeedOffLevel(Feed):
    """Steady and wrong from key-on; the sensor still works on it."""
    def plan(self, case):
        case.options.update(kind="hall")

    def wires(self, case):
        sensor = case.sensors[0]
        if case.nominals[sensor.feed] == "battery":
            case.nominals[sensor.feed] = "8"
            case.feeds[sensor.feed] = numpy.where(case.machine.key, 8.0 + case.lift, 0)
        nominal = float(case.nominals[sensor.feed])
        off = case.rng.choice([-1, 1]) * case.rng.uniform(0.45, 0.9)
        feed = case.feeds[sensor.feed]
        case.feeds[sensor.feed] = numpy.where(case.machine.key, feed * (nominal + off) / nominal, 0)
        say(case, "feed-off-level", "feed", case.machine.key_on, key_end(case), sensor, sensor.feed,
            f"{off:+.2f} V of {nominal:.0f} V")


class ReturnRise(Worker):
    """A poor joint in one return: its foot rises, the sensor goes on working."""
    def plan(self, case):
        case.options.update(kind="hall", outcome=str(case.rng.choice(["started", "did-not-start"])))

    def wires(self, case):
        rng, sensor, machine = case.rng, case.sensors[0], case.machine
        onset = machine.key_on if rng.random() < 0.5 else within_cranking(case)
        rise = rng.uniform(0.25, 0.8)
        case.returns[sensor.low_side] = case.returns[sensor.low_side] + rise * (
            (machine.time >= onset) & machine.key)
        say(case, "return-rise", "return", onset, key_end(case), sensor, sensor.low_side,
            f"by {rise:.2f} V")
        shared(case, sensor, "low_side")


class ReturnOpen(Worker):
    """The return lets go: it floats up towards the feed, the output to its pull-up."""
    def plan(self, case):
        case.options.update(outcome="did-not-start", kind="hall")

    def wires(self, case):
        rng, sensor, time = case.rng, case.sensors[0], case.machine.time
        onset = within_cranking(case)
        end = None if rng.random() < 0.6 else onset + rng.uniform(0.4, 1.0)
        away = (time >= onset) & (time < (end or 1e9))
        floating = numpy.maximum(case.feeds[sensor.feed] - rng.uniform(0.5, 1.5), 0)
        case.returns[sensor.low_side] = numpy.where(
            away, numpy.maximum(floating, case.returns[sensor.low_side]),
            case.returns[sensor.low_side])
        say(case, "return-open", "return", onset, end, sensor, sensor.low_side)
        shared(case, sensor, "low_side")


class GroundRise(Worker):
    """The engine's or control unit's ground: everything rides up with the starter's current."""
    def plan(self, case):
        case.options["need"] |= {"ground"} if case.rng.random() < 0.6 else {"starter-current"}
        case.options.update(ground_ohms=case.rng.uniform(0.0025, 0.005), kind="hall",
                            sensors=int(case.rng.integers(1, 4)))

    def wires(self, case):
        say(case, "ground-rise", "ground", case.main.engage, case.main.release,
            severity=f"{case.options['ground_ohms'] * 1000:.1f} mOhm")


class SignalLost(Worker):
    """Feed and return stay good; the output does not get through any more."""
    def plan(self, case):
        case.options.update(outcome="did-not-start")

    def wires(self, case):
        sensor = case.sensors[0]
        onset = within_cranking(case, 0.8)
        sensor.dead = case.machine.time >= onset
        sensor.level = int(case.rng.integers(0, 2))
        say(case, "signal-lost", "signal", onset, None, sensor, sensor.signal,
            "rests low" if sensor.level == 0 else "rests high")


def shared(case, sensor, which):
    """A shared wire belongs to no single sensor."""
    if len([other for other in case.sensors
            if getattr(other, which) == getattr(sensor, which)]) > 1:
        case.label["sensor"] = None


class LeadSuspect(Worker):
    """A probe is wrong, the vehicle is not."""
    KINDS = ["feed probe off", "feed and return swapped", "battery wrong by ten",
             "24 V truck, 12 V hookup", "input copies its neighbour", "signal probe off"]

    def plan(self, case):
        self.kind = str(case.rng.choice(self.KINDS))
        case.options.update(outcome="started", kind="hall", sensors=int(case.rng.integers(1, 3)))
        if self.kind.startswith("24"):
            case.options.update(system=24, said_system=12)
        elif self.kind.startswith("battery"):
            case.options.update(system=12)

    def leads(self, case):
        sensor, rng, time = case.sensors[0], case.rng, case.machine.time
        feed, low_side = case.channel(sensor.feed), case.channel(sensor.low_side)
        onset, wrong = 0.0, feed
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
        elif self.kind.startswith("input"):
            wrong = low_side
            low_side.values, low_side.highest = feed.values * 0.98, feed.highest
        else:
            wrong = case.channel(sensor.signal)
            onset = within_cranking(case, 0.8)
            wrong.values = numpy.where(time >= onset, rng.uniform(-0.02, 0.02), wrong.values)
        say(case, "lead-suspect", "hookup", onset, None, None, wrong.name, self.kind)


FAULTS = {"healthy": Worker, "feed-collapse": FeedCollapse, "feed-off-level": FeedOffLevel,
          "return-rise": ReturnRise, "return-open": ReturnOpen, "ground-rise": GroundRise,
          "signal-lost": SignalLost, "lead-suspect": LeadSuspect}
