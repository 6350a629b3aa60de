# SPDX-License-Identifier: Apache-2.0
"""Faults of battery, starter and supply."""
import numpy

from worker import Worker, lasting, say, within_cranking


class CrankVoltageLow(Worker):
    """A worn battery: low as long as the starter turns, and the engine turns slowly."""
    def plan(self, case):
        rng = case.rng
        twice = 2 if rng.random() < 0.15 else 1
        load = rng.uniform(170, 220)
        rest, held = rng.uniform(11.8, 12.3), rng.uniform(7.0, 8.6)
        case.options.update(outcome="did-not-start", system=12 * twice, rpm=rng.uniform(55, 76),
                            run={"load": load, "locked": load * rng.uniform(1.5, 1.9),
                                 "rest": rest * twice, "resistance": (rest - held) / load * twice})
        self.held = held * twice

    def wires(self, case):
        say(case, "crank-voltage-low", "battery", case.main.engage, case.main.release, None,
            "battery", f"held {self.held:.1f} V", also=["feed-follows-battery"], slack=0.4)


class FeedFollowsBattery(Worker):
    """The battery sags so low that a regulated feed cannot hold."""
    def plan(self, case):
        rng = case.rng
        load = rng.uniform(150, 200)
        case.options.update(outcome="did-not-start", kind="hall", system=12, nominal="8",
                            run={"load": load, "locked": load * rng.uniform(2.0, 2.5), "rest": 12.2,
                                 "resistance": (12.2 - rng.uniform(6.9, 7.5)) / load})

    def wires(self, case):
        sensor = case.sensors[0]
        say(case, "feed-follows-battery", "battery", case.main.engage, case.main.release, None,
            sensor.feed, also=["crank-voltage-low"], slack=0.4)


class NoRotation(Worker):
    """The starter is asked for, or pulls its current, and nothing turns."""
    hide = ("starter-current", "start-request")

    def plan(self, case):
        self.locked = case.rng.random() < 0.5
        case.options.update(outcome="did-not-crank", rpm=0.0, system=12, length=1.5)
        case.options["need"].add("starter-current" if self.locked else "start-request")
        if self.locked:
            case.options["run"] = {"stuck": case.rng.uniform(380, 480), "resistance": 0.0045}
        self.hide = ("starter-current", "start-request") if not self.locked else ()

    def wires(self, case):
        say(case, "no-rotation", "starter", case.main.engage, case.main.release, None, None,
            "locked" if self.locked else "nothing happens", slack=0.3)
        case.label["silent"] = not self.locked


class SlowCrank(Worker):
    """The engine drags: much current, little speed, and the battery holds."""
    any_ground = True

    def plan(self, case):
        load = case.rng.uniform(230, 300)
        case.options.update(outcome="did-not-start", rpm=case.rng.uniform(42, 64), system=12,
                            length=case.rng.uniform(3.5, 5.0),
                            run={"load": load, "locked": load * 1.7, "rest": 12.6,
                                 "resistance": 0.0055, "depth": case.rng.uniform(0.1, 0.2)},
                            ground_ohms=0.0001)

    def wires(self, case):
        say(case, "slow-crank", "starter", case.main.engage, case.main.release, None, None,
            f"{case.main.rpm:.0f} rpm", slack=0.6)


class SupplyCollapse(Worker):
    """The control unit's supply lets go, and its feeds with it; the battery holds."""
    hide = ("supply",)
    hidden_also = ("feed-collapse", "signal-lost", "signal-gaps", "no-command")
    passes = any_ground = True

    def plan(self, case):
        case.options.update(outcome="did-not-start")
        case.options["need"].add("supply")

    def supplies(self, case):
        onset = within_cranking(case)
        end = None if case.rng.random() < 0.5 else onset + case.rng.uniform(0.4, 1.2)
        left = case.rng.uniform(0, 2.5)
        away, end = lasting(case, onset, end)
        case.supply = numpy.where(away, numpy.minimum(case.supply, left), case.supply)
        say(case, "supply-collapse", "supply", onset, end, None, "supply", f"to {left:.1f} V")
