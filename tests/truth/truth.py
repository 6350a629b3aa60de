# SPDX-License-Identifier: Apache-2.0
"""Figures of a label that are worked out from the finished case."""
import numpy

import sensors


def mean_rpm(machine, attempt):
    """Mean speed over steady cranking."""
    begin = attempt.engage + 0.4
    end = min(attempt.catch or attempt.release, machine.time[-1])
    if end - begin < 0.2:
        begin = attempt.engage + 0.1
    turned = numpy.interp([begin, end], machine.time, machine.angle)
    return float((turned[1] - turned[0]) / (end - begin) * 60)


def due_period(case):
    """The longest time between like edges of the sensor concerned, around the onset.

    Like edges: a loss is noticed at the latest when the same edge does not come again. Across a
    tooth gap that is two or three pitches.
    """
    onset, machine = case.label["onset"], case.machine
    if onset is None:
        return None
    sensor = next((one for one in case.sensors if one.name == case.label["sensor"]),
                  case.sensors[0])
    slower = 2 if sensor.shaft == "cam" else 1
    turns = machine.angle / slower
    tooth = ~sensor.recorded if sensor.recorded is not None else (
        sensors.at_tooth(turns, sensor.windows))
    here = numpy.interp(onset, machine.time, turns)
    edges = numpy.flatnonzero(tooth[1:] & ~tooth[:-1])
    near = edges[numpy.abs(turns[edges] - here) < 1.1]
    if len(near) < 2:
        return None
    return float(numpy.diff(machine.time[near]).max())
