# SPDX-License-Identifier: Apache-2.0
"""What every fault and every healthy look-alike is made of.

A worker changes a case in stages: `plan` (before anything happened), `supplies` (what feeds the
control unit), `wires` (feeds, returns, ground and outputs as they are on the vehicle) and `leads`
(what the probes make of it).
"""
import numpy


class Worker:
    """A healthy vehicle: changes nothing."""
    hide = ()            # roles without which the fault cannot be shown
    hidden_also = ()     # what may be named all the same, because it stood on a wire
    passes = False       # may come at one of two attempts
    any_ground = False   # is seen as well with the board's ground lead elsewhere

    def plan(self, case):
        pass

    def supplies(self, case):
        pass

    def wires(self, case):
        pass

    def leads(self, case):
        pass


def say(case, fault, circuit, onset, end=None, sensor=None, channel=None, severity=None, also=(),
        slack=0.0):
    """`slack`: seconds by which a fault without a sharp beginning may be placed otherwise."""
    case.label.update(fault=fault, accept=[fault, *also], circuit=circuit, onset=onset, end=end,
                      channel=channel, severity=severity, slack=slack,
                      sensor=sensor.name if sensor is not None else None)


def lasting(case, onset, end=None):
    """When the fault is there, and its true end (None: longer than anybody looks)."""
    end = min(end or numpy.inf, case.over)
    time = case.machine.time
    return (time >= onset) & (time < end), end if numpy.isfinite(end) else None


def key_end(case):
    return min(case.machine.key_off, case.machine.time[-1])


def within_cranking(case, earliest=0.3, share=0.6):
    """A moment while the starter turns, early enough to be seen."""
    begin, end = case.main.engage, case.main.catch or case.main.release
    if case.main.stop and case.main.outcome == "started-then-stopped":
        return case.main.stop      # it lets go while the engine runs, and the engine dies of it
    return case.rng.uniform(begin + earliest, begin + max(earliest + 0.05, share * (end - begin)))


def shared(case, sensor, which):
    """A shared wire belongs to no single sensor."""
    if len([other for other in case.sensors
            if getattr(other, which) == getattr(sensor, which)]) > 1:
        case.label["sensor"] = None
