# SPDX-License-Identifier: Apache-2.0
"""Vehicles without a fault in any watched circuit that look as if they had one."""
import numpy

from worker import Worker as Vehicle


class Worker(Vehicle):
    any_ground = True


class Loads(Worker):
    """Glow plugs, lamps and a heater with key-on; one in three is never cranked."""
    def plan(self, case):
        rng = case.rng
        case.options["extra"] = [(rng.uniform(0.05, 0.4), rng.uniform(0.4, 1.0),
                                  rng.uniform(20, 80)) for _ in range(3)]
        if rng.random() < 0.33:
            case.options.update(outcome="did-not-crank", rpm=0.0, unseen=True)


class Charger(Worker):
    """A mains charger: the battery rests, with its ripple, where a running engine holds it."""
    def plan(self, case):
        twice = 2 if case.rng.random() < 0.3 else 1
        case.options["system"] = 12 * twice
        case.options["run"] = {"rest": case.rng.uniform(13.3, 14.2) * twice,
                               "resistance": case.rng.uniform(0.003, 0.006) * twice,
                               "ripple": case.rng.choice([0, 1]) * case.rng.uniform(0.05, 0.3)}


class JumpPack(Worker):
    """A jump pack is clipped on between key-on and cranking."""
    def plan(self, case):
        case.options.update(system=12, run={
            "rest": case.rng.uniform(11.9, 12.3), "resistance": case.rng.uniform(0.003, 0.006),
            "joined": (case.rng.uniform(0.3, 1.0), case.rng.uniform(0.3, 1.2))})


class Crosstalk(Worker):
    """Coils fire into every signal wire, too little to make an edge.

    A winding rests near its threshold, 0 V, and a good wire to one is twisted and screened.
    """
    def leads(self, case):
        rng, machine = case.rng, case.machine
        fires = numpy.floor(machine.angle * machine.cylinders / 2)
        places = numpy.flatnonzero(numpy.diff(fires) > 0)
        size = rng.uniform(0.08, 0.2)
        windings = {sensor.signal for sensor in case.sensors if sensor.kind == "inductive"}
        for channel in case.channels:
            if channel.role == "signal":
                top = size * min(numpy.ptp(channel.values), 5.0)
                if channel.name in windings:
                    top = 0.05
                channel.values[places] += top * rng.choice([-1, 1], len(places))


class LateCharging(Worker):
    """Started, and the alternator waits longer than the record lasts."""
    def plan(self, case):
        case.options.update(outcome="started", run={"charging": 30.0})


class Cold(Worker):
    """Slow in the cold, and fine."""
    def plan(self, case):
        load = case.rng.uniform(200, 250)
        case.options.update(rpm=case.rng.uniform(95, 115), ground_ohms=0.00012, run={
            "load": load, "locked": load * 2.4, "rest": 12.5, "resistance": 0.007}, system=12)


class KeyBounce(Worker):
    """The key's contact bounces before the starter is asked for."""
    def plan(self, case):
        case.options["bounces"] = [(case.rng.uniform(0.1, 0.5), case.rng.uniform(0.005, 0.03))
                                   for _ in range(2)]


class ReleasedEarly(Worker):
    """The driver let go too soon."""
    def plan(self, case):
        case.options["outcome"] = "released-early"


class RecordEnds(Worker):
    """The record stops while the starter turns: nobody knows how it went on."""
    def plan(self, case):
        case.options.update(outcome="did-not-start", cut=case.rng.uniform(1.3, 2.0))


class ReturnSurge(Worker):
    """Returns rise to 200 to 290 mV in the first moment, as the trade allows."""
    def wires(self, case):
        time, top = case.machine.time, case.rng.uniform(0.2, 0.27)
        surge = (time >= case.main.engage + 0.002) & (time < case.main.engage + 0.09)
        for name, level in case.returns.items():
            case.returns[name] = numpy.where(surge, top, level)


class InrushDip(Worker):
    """A feed dips for less than 50 ms as the starter engages."""
    def wires(self, case):
        time, engage = case.machine.time, case.main.engage
        length, share = case.rng.uniform(0.01, 0.035), case.rng.uniform(0.7, 0.9)
        for name, level in case.feeds.items():
            dip = (time >= engage + 0.004) & (time < engage + 0.004 + length)
            case.feeds[name] = numpy.where(dip, level * share, level)


class ToothGap(Worker):
    """Wheels with gaps that look like missing pulses."""
    def plan(self, case):
        case.options["wheel"] = str(case.rng.choice(["12-1", "12-3", "36-1", "24-1", "36-2-2",
                                                     "4-1"]))


class Noisy(Worker):
    """Everything is noisy, within reason."""
    def plan(self, case):
        case.options["noise"] = case.rng.uniform(2.0, 3.0)


class StoppedAgain(Worker):
    """Started, and died: for want of fuel, not of anything watched."""
    def plan(self, case):
        case.options["outcome"] = "started-then-stopped"


class TooSlowABoard(Worker):
    """A wheel of 60 places at 500 or 1000 samples a second: what is seen of it is beats."""
    def plan(self, case):
        case.options.update(wheel="60-2", rate=float(case.rng.choice([500, 1000])),
                            outcomes=["unknown"], outcome=str(case.rng.choice(
                                ["started", "did-not-start"])))


class AntiLock(Worker):
    """Glow plugs in the cold, then the self-test of the anti-lock pump just before cranking."""
    def plan(self, case):
        rng = case.rng
        case.options["extra"] = [(0.05, 1.0, rng.uniform(60, 130))]
        case.options["extra"] += [(0.2 + 0.15 * place, 0.06, rng.uniform(25, 50))
                                  for place in range(3)]


class KeyedOff(Worker):
    """Started, ran, and was switched off: feeds fall to 0 V with the key."""
    def plan(self, case):
        case.options.update(outcome="started", keyed_off=case.rng.uniform(5.8, 7.0))


class SeveralAttempts(Worker):
    """Two to four: some that failed or were given up, and one that started."""
    def plan(self, case):
        count = int(case.rng.integers(2, 5))
        first = case.rng.choice(["did-not-start", "released-early", "started-then-stopped"], count)
        case.options.update(attempts=count, outcome="started", first=first.tolist(),
                            rate=float(case.rng.choice([1000, 2000, 4000, 8000])))


class PlainStart(Worker):
    def plan(self, case):
        case.options["outcome"] = "started"


class PlainFailure(Worker):
    """No fuel: cranks, does not start, and every watched circuit is good."""
    def plan(self, case):
        case.options["outcome"] = "did-not-start"


KINDS = {"healthy-start": PlainStart, "healthy-failure": PlainFailure, "healthy-loads": Loads,
         "healthy-charger": Charger, "healthy-late-charging": LateCharging, "healthy-cold": Cold,
         "healthy-key-bounce": KeyBounce, "healthy-released-early": ReleasedEarly,
         "healthy-record-ends": RecordEnds, "healthy-return-surge": ReturnSurge,
         "healthy-inrush-dip": InrushDip, "healthy-tooth-gap": ToothGap, "healthy-noisy": Noisy,
         "healthy-stopped-again": StoppedAgain, "healthy-keyed-off": KeyedOff,
         "healthy-too-slow-a-board": TooSlowABoard, "healthy-anti-lock": AntiLock,
         "healthy-jump-pack": JumpPack, "healthy-crosstalk": Crosstalk,
         "healthy-several-attempts": SeveralAttempts}
