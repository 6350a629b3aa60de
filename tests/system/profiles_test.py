#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""profiles_test.py - published cranking profiles as the battery of a vehicle, through import and
report: an attempt is found where the profile falls, and no feed is blamed where the battery leaves
its regulator enough.

The numbers were read in transcriptions of the standards that are named beside them, not in the
standards themselves; where only the mean of the ripple is named, it is the mean that is drawn.
"""
import csv
import json
import pathlib
import unittest

import numpy

import harness

RATE = 2000.0
REST_S = 5.0
RIPPLE_HZ = 2.0  # "2 Hz sine, 2 V peak-to-peak", in every one of these profiles that has a ripple

# title, system volts, rest volts, then (volts at the end of the piece, its length in s, ripple?)
PROFILES = [
    ("ISO 16750-2:2003 4.5.3 starting profile, Level I, 12 V", 12, 12.0,
     [(8.0, 0.005, False), (8.0, 0.015, False), (10.5, 0.05, False), (10.5, 1.0, True),
      (12.0, 0.04, False)]),
    ("ISO 16750-2:2006 4.6.3 starting profile, Level III, 24 V", 24, 24.0,
     [(6.0, 0.01, False), (6.0, 0.05, False), (11.0, 0.05, False), (11.0, 1.0, True),
      (24.0, 0.04, False)]),
    ("VW 80000:2013 6.11, E-11 cold start normal", 12, 11.0,
     [(4.5, 0.001, False), (4.5, 0.019, False), (6.5, 0.05, False), (7.5, 10.0, True),
      (11.0, 0.1, False)]),
    ("MBN LV 124:2013 6.11, E-11 warm start long", 12, 11.0,
     [(7.0, 0.001, False), (7.0, 0.015, False), (8.0, 0.075, False), (8.0, 0.24, False),
      (9.0, 0.07, False), (9.0, 0.6, False), (11.0, 0.001, False)]),
    ("DC-10615:2007 7.5 warm cranking", 12, 11.0,
     [(7.0, 0.001, False), (9.0, 0.199, False), (10.0, 0.1, False), (10.0, 1.9, False),
      (11.0, 0.1, False)]),
    ("DC-10615:2007 7.4 cold cranking", 12, 12.6,
     [(5.0, 0.005, False), (5.0, 0.015, False), (6.5, 0.05, False), (6.5, 10.0, True),
      (12.6, 0.005, False)]),
]

HOOKUP = """[vehicle]
name = parcel van, bay 2
cylinders = 4
system = {system}
ground = battery-negative
[channel battery]
role = battery
[channel crank-feed]
role = feed
nominal = 5
[channel crank-return]
role = return
[channel crank-signal]
role = signal
[sensor crank]
kind = hall
feed = crank-feed
return = crank-return
signal = crank-signal
wheel = 24
"""
TEETH_HZ = 24 * 180 / 60  # a Hall sensor on 24 teeth at 180 rpm


def draw(rest, pieces):
    """The battery's volts, and the seconds at which the profile begins to fall and to come back."""
    volts = [numpy.full(int(REST_S * RATE), rest)]
    level = rest
    for to_level, seconds, ripple in pieces:
        count = max(1, round(seconds * RATE))
        piece = numpy.linspace(level, to_level, count) if to_level != level and not ripple \
            else numpy.full(count, to_level)
        if ripple:
            piece = piece + numpy.sin(2 * numpy.pi * RIPPLE_HZ * numpy.arange(count) / RATE)
        volts.append(piece)
        level = to_level
    end = sum(map(len, volts)) / RATE
    back = end - pieces[-1][1]
    volts.append(numpy.full(int(REST_S * RATE), level))
    return numpy.concatenate(volts), REST_S, back


class Profiles(harness.Case):
    def report(self, system, battery, fall_s, back_s):
        noise = numpy.random.default_rng(7)
        times = numpy.arange(len(battery)) / RATE
        turns = (times > fall_s + 0.03) & (times < back_s)
        signal = numpy.where(turns & (times * TEETH_HZ % 1 < 0.5), 0.1, 4.97)
        feed = numpy.minimum(5.0, battery - 0.9)  # a linear regulator: what it can, up to 5 V
        rows = numpy.column_stack([times, battery + noise.normal(0, 0.005, len(battery)),
                                   feed + noise.normal(0, 0.003, len(battery)),
                                   0.01 + noise.normal(0, 0.002, len(battery)), signal])
        path = self.folder / "profile.csv"
        with open(path, "w", newline="", encoding="ascii") as file:
            writer = csv.writer(file)
            writer.writerow(["time_s", "battery", "crank-feed", "crank-return",
                             "crank-signal"])
            writer.writerows([[f"{value:.4f}" for value in row] for row in rows])
        hookup = self.folder / "vehicle.hookup"
        hookup.write_text(HOOKUP.format(system=system))
        crank = self.folder / "profile.crank"
        harness.run("import", path, "--hookup", hookup, "--out", crank)
        return json.loads(harness.run("report", crank, "--json").stdout)

    def test_each_is_one_attempt_at_its_time_and_no_feed_fault(self):
        for title, system, rest, pieces in PROFILES:
            with self.subTest(title):
                battery, fall_s, back_s = draw(rest, pieces)
                report = self.report(system, battery, fall_s, back_s)
                self.assertEqual(len(report["attempts"]), 1)
                attempt = report["attempts"][0]
                # A sag is dated from where it begins to fall; some milliseconds are the noise's.
                self.assertAlmostEqual(attempt["from_s"], fall_s, delta=0.02)
                # The end is where the starter lets go: within the rise of 0.1 s, and the ripple's
                # last half wave (0.25 s) that looks like one.
                self.assertAlmostEqual(attempt["to_s"], back_s, delta=0.3)
                circuit = report["verdict"]["circuit"]
                self.assertIn(circuit, ("none", "battery"), report["verdict"])


if __name__ == "__main__":
    harness.main()
