# SPDX-License-Identifier: Apache-2.0
"""Edges of real engines, where CRANKTRAP_DATA names the folder that holds them.

Columns by position: time in seconds, then logic levels after the change in that row. The files stay
where they are; which they are and where they come from stands beside them.
"""
import dataclasses
import os
import pathlib

import numpy

from machine import Attempt

# file, rising crank edges a turn, how the attempt ends
FILES = {"started": [("edges-crank-cam-catches.csv", 4),
                     ("edges-13-teeth-two-cams-catches.csv", 13)],
         "did-not-start": [("edges-2-teeth-cam-no-start.csv", 2)]}
# Kinds that can be laid over a recording: they bend neither wheel nor speed.
KINDS = ["feed-collapse", "return-open", "return-rise", "signal-lost", "ground-rise", "no-command",
         "supply-collapse", "healthy-start", "healthy-failure"]


@dataclasses.dataclass
class Recording:
    name: str
    edges: numpy.ndarray     # times
    levels: numpy.ndarray    # one row an edge, one column a sensor
    turns: numpy.ndarray     # times of whole turns

    def level(self, sensor, time):
        """Is the output of a sensor high?"""
        row = numpy.clip(numpy.searchsorted(self.edges, time, side="right") - 1, 0, None)
        return self.levels[row, sensor] > 0.5

    def mean_speed(self, time):
        """Speed over whole turns, rpm; 0 before the first edge and after the last."""
        middle = (self.turns[1:] + self.turns[:-1]) / 2
        speed = numpy.interp(time, middle, 60 / numpy.diff(self.turns))
        run_up = numpy.clip((time - self.edges[1] + 0.04) / 0.08, 0, 1)
        return speed * run_up * (time < self.edges[-1])

    def attempt(self, outcome):
        """From just before the first edge; until it fires, or until the recording's end."""
        begin, end = float(self.edges[1]) - 0.06, float(self.edges[-1]) - 0.01
        speed = 60 / numpy.diff(self.turns)
        rpm = float(numpy.median(speed[speed < 320]))
        if outcome == "did-not-start":
            return Attempt(begin, end, outcome, rpm, stop=end)
        fires = float(self.turns[1:][speed > 400][0])
        return Attempt(begin, fires - 0.1, outcome, rpm, catch=fires - 0.3)


def load(name, per_turn):
    folder = pathlib.Path(os.environ.get("CRANKTRAP_DATA", ""))
    rows = []
    with open(folder / name, encoding="utf-8") as file:
        for line in file:
            try:
                rows.append([float(field) for field in line.split(",")])
            except ValueError:
                continue    # the heading
    table = numpy.array(rows)
    rising = numpy.flatnonzero(numpy.diff(table[:, 1]) > 0) + 1
    rising = rising[numpy.concatenate([numpy.diff(table[rising, 0]) > 1e-4, [True]])]
    return Recording(name, table[:, 0], table[:, 1:], table[rising, 0][::per_turn])


def choose(kind, options, rng):
    """A recording for one case in six of the kinds that can take one, or None."""
    wanted, pick = rng.random() < 1 / 6, rng.random()
    files = FILES.get(options["outcome"], [])
    fits = kind in KINDS and options["attempts"] == 1 and files
    if not wanted or not fits or not os.environ.get("CRANKTRAP_DATA"):
        return None
    recording = load(*files[int(pick * len(files))])
    options.update(kind="hall", sensors=recording.levels.shape[1])
    return recording
