# SPDX-License-Identifier: Apache-2.0
"""Faults of signals and of what the control unit makes of them; feeds and returns stay good."""
import numpy

from worker import Worker, lasting, say, within_cranking


class SignalLost(Worker):
    """The output does not get through any more."""
    passes = any_ground = True

    def plan(self, case):
        case.options.update(outcome=str(case.rng.choice(
            ["did-not-start", "started-then-stopped"], p=[0.9, 0.1])))

    def wires(self, case):
        sensor = case.sensors[0]
        onset = within_cranking(case, 0.8)
        sensor.dead, end = lasting(case, onset)
        sensor.level = int(case.rng.integers(0, 2))
        say(case, "signal-lost", "signal", onset, end, sensor, sensor.signal,
            "rests low" if sensor.level == 0 else "rests high")


def tooth_time(case, sensor):
    turns = case.main.rpm / 60 / (2 if sensor.shaft == "cam" else 1)
    return 1 / (turns * len(sensor.windows))


class SignalGaps(Worker):
    """A loose contact in the signal wire: pulses are missing now and then, the engine turns on."""
    def plan(self, case):
        case.options.update(outcome="did-not-start", kind="hall")

    def wires(self, case):
        rng, sensor, time = case.rng, case.sensors[0], case.machine.time
        one = tooth_time(case, sensor)
        place = onset = within_cranking(case, 0.9, 0.3)
        sensor.dead = numpy.zeros(len(time), dtype=bool)
        count = 0
        while place < case.main.release - 3 * one:
            length = max(0.025, 2.5 * one) * rng.uniform(1, 1.8)
            sensor.dead |= (time >= place) & (time < place + length)
            place += length + max(0.15, 6 * one) * rng.uniform(1, 2)
            count += 1
        say(case, "signal-gaps", "signal", onset, None, sensor, sensor.signal, f"{count} times",
            also=["signal-lost"] if count == 1 else ())


class SignalWeak(Worker):
    """Too little swing: a poor pull-up, a low that does not get down, a winding too far away."""
    def plan(self, case):
        case.options.update(outcome="did-not-start", bits=int(case.rng.choice([12, 14, 16])))

    def wires(self, case):
        rng, sensor = case.rng, case.sensors[0]
        sensor.weaken = rng.uniform(0.5, 0.72)
        if sensor.kind == "inductive":
            sensor.volts, sensor.weaken = rng.uniform(0.05, 0.09), 1.0
        elif rng.random() < 0.5:
            sensor.weak_high = True
        say(case, "signal-weak", "signal", case.main.engage, None, sensor, sensor.signal,
            f"{100 * sensor.weaken:.0f} % of the swing" if sensor.kind == "hall" else
            f"{2 * sensor.volts:.2f} V at 200 rpm", slack=case.main.release - case.main.engage)


class SignalNoise(Worker):
    """Spikes on the signal that make edges of their own."""
    any_ground = True

    def plan(self, case):
        case.options.update(outcome="did-not-start", kind="hall")

    def leads(self, case):
        rng, sensor = case.rng, case.sensors[0]
        wire = case.channel(sensor.signal)
        onset = within_cranking(case, 0.6, 0.4)
        rate = rng.uniform(0.4, 1.0) / tooth_time(case, sensor) + 15
        places = onset + numpy.cumsum(rng.exponential(1 / rate, 2000))
        places = numpy.concatenate([[onset], places[places < case.main.release]])
        middle = (wire.values.max() + wire.values.min()) / 2
        span = numpy.ptp(wire.values)
        for place in places:
            at = int(numpy.ceil(place * case.machine.rate))
            until = at + int(rng.integers(1, 3))
            swing = rng.uniform(0.65, 0.85) * span
            wire.values[at:until] += numpy.where(wire.values[at:until] > middle, -swing, swing)
        say(case, "signal-noise", "signal", onset, None, sensor, sensor.signal,
            f"{len(places)} spikes", slack=3 / rate)


class OutOfStep(Worker):
    """The cam jumps against the crank while the starter turns."""
    def plan(self, case):
        case.options.update(outcome="did-not-start", kind="hall", sensors=2,
                            wheel=str(case.rng.choice(["60-2", "36-1", "36-2", "24-1", "12-1"])),
                            rate=float(case.rng.choice([5000, 8000, 10000])))
        case.options.update(length=case.rng.uniform(5.0, 7.0), rpm=case.rng.uniform(130, 320))

    def wires(self, case):
        """A cam of one pulse must be seen for some turns on either side."""
        rng, cam = case.rng, case.sensors[1]
        onset = within_cranking(case, max(2.0, 3.2 * 120 / case.main.rpm), 0.55)
        degrees = rng.choice([-1, 1]) * rng.uniform(18, 45)
        cam.jump = (case.machine.time >= onset) * degrees / 360
        say(case, "out-of-step", "signal", onset, None, cam, cam.signal, f"{degrees:+.0f} degrees",
            slack=2.2 * 60 / case.main.rpm)
        case.label["sensor"] = None


class NoCommand(Worker):
    """The control unit sees everything and commands nothing."""
    hide = ("command",)
    any_ground = True

    def plan(self, case):
        case.options.update(outcome="did-not-start")
        case.options["need"].add("command")

    def wires(self, case):
        case.options["mute"] = True
        say(case, "no-command", "command", None, None, None, "command")
