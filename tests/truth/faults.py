# SPDX-License-Identifier: Apache-2.0
"""Faults of feeds, returns and grounds, each with what follows from it."""
import numpy

from worker import Worker, key_end, lasting, say, shared, within_cranking


class FeedCollapse(Worker):
    """A feed lets go and the sensor with it; the battery holds."""
    hide = ("feed",)
    hidden_also = ("signal-lost", "signal-gaps", "no-command")
    passes = any_ground = True

    def plan(self, case):
        """Most fail; some start all the same after a moment, some die of it while they run."""
        case.options.update(kind="hall", outcome=str(case.rng.choice(
            ["did-not-start", "started", "started-then-stopped"], p=[0.8, 0.1, 0.1])))
        if case.options["outcome"] == "started-then-stopped":
            case.options["need"] |= {"ignition"}  # or a key turned off would look the same

    def wires(self, case):
        rng, time, sensor = case.rng, case.machine.time, case.sensors[0]
        onset = within_cranking(case)
        end, kind = None, rng.choice(["for good", "a while", "chatter"])
        if case.main.outcome == "started":
            end, kind = onset + rng.uniform(0.1, 0.3) * (case.main.catch - onset), "a moment"
        elif case.main.outcome == "started-then-stopped":
            kind = "while it ran"
        elif kind == "a while":
            end = onset + rng.uniform(0.4, 1.2)
        away, end = lasting(case, onset, end)
        if kind == "chatter":
            place = onset
            while place < case.main.release:
                back = place + rng.uniform(0.02, 0.3)
                again = back + rng.uniform(0.005, 0.08)
                away &= (time < back) | (time >= again)
                place = again
        left = rng.uniform(0.0, 0.9)
        feed = case.feeds[sensor.feed]
        case.feeds[sensor.feed] = numpy.where(away, numpy.minimum(left, feed), feed)
        say(case, "feed-collapse", "feed", onset, end, sensor, sensor.feed,
            f"to {left:.2f} V, {kind}")
        shared(case, sensor, "feed")


class FeedOffLevel(Worker):
    """Steady and wrong from key-on; the sensor still works on it, or never had a feed at all."""
    hide = ("feed",)
    any_ground = True

    def plan(self, case):
        self.none = case.rng.random() < 0.15
        self.hidden_also = ("signal-lost", "no-command") if self.none else ()
        case.options.update(kind="hall")
        if self.none:
            case.options["outcome"] = "did-not-start"

    def wires(self, case):
        sensor = case.sensors[0]
        if case.nominals[sensor.feed] == "battery":
            case.nominals[sensor.feed] = "8"
            case.feeds[sensor.feed] = numpy.where(case.machine.key, 8.0 + case.lift, 0)
        nominal = float(case.nominals[sensor.feed])
        off = case.rng.choice([-1, 1]) * case.rng.uniform(0.45, 0.9)
        if self.none:
            off = case.rng.uniform(0.0, 0.3) - nominal
        feed = case.feeds[sensor.feed]
        case.feeds[sensor.feed] = numpy.where(case.machine.key, feed * (nominal + off) / nominal, 0)
        say(case, "feed-off-level", "feed", case.machine.key_on, key_end(case), sensor, sensor.feed,
            f"{off:+.2f} V of {nominal:.0f} V", slack=0.1,
            also=["feed-collapse"] if self.none else ())
        shared(case, sensor, "feed")


class ReturnRise(Worker):
    """A poor joint in one return: its foot rises, the sensor goes on working."""
    hide = ("return",)
    hidden_also = ("signal-weak",)

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
    hide = ("return",)
    hidden_also = ("signal-lost", "signal-gaps", "no-command")
    passes = any_ground = True

    def plan(self, case):
        case.options.update(kind="hall", outcome=str(case.rng.choice(
            ["did-not-start", "started-then-stopped"], p=[0.9, 0.1])))

    def wires(self, case):
        rng, sensor = case.rng, case.sensors[0]
        onset = within_cranking(case)
        stays = rng.random() < 0.6 or case.main.outcome == "started-then-stopped"
        away, end = lasting(case, onset, None if stays else onset + rng.uniform(0.4, 1.0))
        floating = numpy.maximum(case.feeds[sensor.feed] - rng.uniform(0.5, 1.5), 0)
        case.returns[sensor.low_side] = numpy.where(
            away, numpy.maximum(floating, case.returns[sensor.low_side]),
            case.returns[sensor.low_side])
        say(case, "return-open", "return", onset, end, sensor, sensor.low_side)
        shared(case, sensor, "low_side")


class GroundRise(Worker):
    """The engine's or control unit's ground: everything rides up with the starter's current."""
    hide = ("ground", "return")
    hidden_also = ("signal-weak",)

    def plan(self, case):
        case.options["need"] |= {"ground"} if case.rng.random() < 0.6 else {"starter-current"}
        case.options.update(ground_ohms=case.rng.uniform(0.0025, 0.005), kind="hall",
                            sensors=int(case.rng.integers(1, 4)))

    def wires(self, case):
        say(case, "ground-rise", "ground", case.main.engage, case.main.release,
            severity=f"{case.options['ground_ohms'] * 1000:.1f} mOhm", slack=0.3)
