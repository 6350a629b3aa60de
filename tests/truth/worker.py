# SPDX-License-Identifier: Apache-2.0
"""What every fault and every healthy look-alike is made of.

A worker changes a case in stages: `plan` (before anything happened), `supplies` (what feeds the
control unit), `wires` (feeds, returns, ground and outputs as they are on the vehicle) and `leads`
(what the probes make of it).
"""


class Worker:
    """A healthy vehicle: changes nothing."""
    hide = ()            # roles without which the fault cannot be shown
    hidden_also = ()     # what may be named all the same, because it stood on a wire

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


def key_end(case):
    return min(case.machine.key_off, case.machine.time[-1])


def within_cranking(case, earliest=0.3, share=0.6):
    """A moment while the starter turns, early enough to be seen."""
    begin, end = case.main.engage, case.main.catch or case.main.release
    return case.rng.uniform(begin + earliest, begin + max(earliest + 0.05, share * (end - begin)))


def shared(case, sensor, which):
    """A shared wire belongs to no single sensor."""
    if len([other for other in case.sensors
            if getattr(other, which) == getattr(sensor, which)]) > 1:
        case.label["sensor"] = None
