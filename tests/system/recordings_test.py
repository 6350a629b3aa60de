#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""recordings_test.py - recordings of real engines, played at true pace by the fake board over
pseudo-terminals to real daemons: attempts are found, and no fault; with a collapse laid over, it is.

All are played side by side, each to a daemon of its own. Speeds, times and what each recording
shows are those of SOURCES.md, the list that comes with the recordings; the leads that it does not
hold (battery, feed, return) are drawn by the fake board, or here.
"""
import concurrent.futures
import pathlib
import tempfile
import unittest

import numpy

import harness

LEAD_IN_S = 4.0
LEAD_OUT_S = 5.0
DATA = pathlib.Path(harness.DATA)

# The engine runs when the recording ends, and with it all edges at once: as if it had died then.
RUNS = ("started", "started-then-stopped")

# File, wheel as in a hookup, the starter's engagement and release in the recording's own time (None:
# as the fake board draws it, from 0.2 s before the first edge to the last), slowest and fastest
# turn while cranking (rpm), outcomes that fit, and whether a collapse is laid over at some second.
ENGINES = [
    # "8.9 s of cranking that never catches, 152 -> 218 rpm"
    ("edges-2-teeth-cam-no-start.csv", "2", None, (152, 218), ("did-not-start",), (4.0, 6.0)),
    # "a burst of 2-5 us glitches at 1.7818 s, then cranks 128-203 rpm and catches": glitches so
    # short fall between the samples of any board here, and are therefore not seen
    ("edges-13-teeth-two-cams-catches.csv", "13", (1.66, 3.2), (128, 203), RUNS, (2.4, 2.9)),
    # "no compression: dead steady 188-190 rpm, 3.1 s"
    ("edges-plugs-out-steady.csv", "13", None, (188, 190), ("did-not-start",), (57.0, 58.0)),
    # "24 duty-coded teeth a turn, from rest 95 -> 136 rpm, 1.4 s"
    ("edges-24-teeth-from-rest.csv", "24", None, (95, 136), ("did-not-start",), None),
    # "4 uneven teeth a turn + cam; cranks 180-232 rpm, catches, runs"
    ("edges-crank-cam-catches.csv", "4", (1.37, 3.0), (180, 232), RUNS, None),
    # "36-2 wheel, 308-329 rpm, noisy"
    ("edges-36-2-noisy.csv", "36-2", None, (308, 329), ("did-not-start",), None),
]

INDUCTIVE = """[vehicle]
name = parcel van, bay 2
cylinders = 4
ground = battery-negative
[board logger]
driver = packet-serial
device = {device}
[channel battery]
board = logger
input = 0
role = battery
[channel crank-return]
board = logger
input = 1
role = return
[channel crank-signal]
board = logger
input = 2
role = signal
[sensor crank]
kind = inductive
return = crank-return
signal = crank-signal
wheel = 60-2
[storage]
before = 2 s
after = 3 s
"""


def play(folder, hookup, arguments):
    """Plays to a daemon in `folder` until the report of the first cranking is there; the report."""
    board = harness.FakeBoard(folder, arguments)
    daemon = harness.Daemon(folder, hookup.replace("{device}", str(board.link)))
    try:
        daemon.start().ready()
        report = daemon.state / "snapshots" / "0001.json"
        harness.until(report.exists, f"the report of the attempt:\n{daemon.log_text()}")
        harness.until(lambda: daemon.status()["state"] == "watching", "the end of the snapshot")
        result = daemon.json("report", "1")
        status = daemon.status()
        if status["boards"][0]["scans_lost"] != 0:
            raise AssertionError(f"scans were lost: {status['boards'][0]}")
        daemon.stop()
        # No real engine falls silent while it turns, unless its sensor was let down here.
        if "had no edge" in daemon.log_text() and "--feed-collapse" not in arguments:
            raise AssertionError(f"a signal is taken for silent:\n{daemon.log_text()}")
        return result
    finally:
        daemon.cleanup()
        board.cleanup()


def play_edges(file, wheel, crank, collapse):
    arguments = ["--edges", DATA / file, "--lead-in", LEAD_IN_S, "--lead-out", LEAD_OUT_S,
                 "--at-end", "hold"]
    arguments += ["--crank", f"{crank[0]},{crank[1]}"] if crank else []
    arguments += ["--feed-collapse", f"{collapse[0]},{collapse[1]}"] if collapse else []
    hookup = harness.van("driver = packet-serial\ndevice = {device}", wheel,
                         "before = 2 s\nafter = 3 s")
    with tempfile.TemporaryDirectory(prefix="cranktrap-") as folder:
        return play(folder, hookup, arguments)


def play_inductive(file):
    """The analogue recording as a signal, with a battery that fits and a quiet return, as CSV."""
    rows = numpy.loadtxt(DATA / file, delimiter=",", skiprows=1, usecols=(0, 1))
    period_s = 1e-4  # SOURCES.md: 10 kS/s
    volts = rows[:, 1]
    before = numpy.full(int(LEAD_IN_S / period_s), volts[0])
    after = numpy.full(int(LEAD_OUT_S / period_s), volts[-1])
    signal = numpy.concatenate([before, volts, after])
    times = numpy.arange(len(signal)) * period_s
    battery = numpy.full(len(signal), 12.6)
    turns = times - (LEAD_IN_S - 0.1)
    pulled = (turns >= 0) & (times < LEAD_IN_S + len(volts) * period_s)
    battery[pulled] = 10.4 - 2.2 * numpy.exp(-turns[pulled] / 0.06) \
        + 0.2 * numpy.sin(2 * numpy.pi * 5.35 * turns[pulled])
    noise = numpy.random.default_rng(1)
    table = numpy.column_stack([times, battery + noise.normal(0, 0.004, len(times)),
                                numpy.abs(noise.normal(0.01, 0.003, len(times))), signal])
    with tempfile.TemporaryDirectory(prefix="cranktrap-") as folder:
        path = pathlib.Path(folder) / "played.csv"
        numpy.savetxt(path, table, delimiter=",", fmt="%.5f")
        return play(folder, INDUCTIVE, ["--csv", path, "--rate", "10000", "--at-end", "hold"])


class Recordings(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        if not harness.DATA:
            raise unittest.SkipTest("recordings of real engines (CRANKTRAP_DATA names no folder)")
        cls.pool = concurrent.futures.ThreadPoolExecutor(max_workers=12)
        cls.clean = {e[0]: cls.pool.submit(play_edges, e[0], e[1], e[2], None) for e in ENGINES}
        cls.collapsed = {e[0]: cls.pool.submit(play_edges, e[0], e[1], e[2], e[5])
                         for e in ENGINES if e[5]}
        cls.steady = cls.pool.submit(play_inductive, "analog-60-2-steady.csv")
        cls.addClassCleanup(cls.pool.shutdown)

    def test_no_fault_where_there_is_none(self):
        for file, _, crank, rpm, outcomes, _ in ENGINES:
            with self.subTest(file):
                report = self.clean[file].result()
                self.assertEqual(len(report["attempts"]), 1)
                attempt = report["attempts"][0]
                self.assertEqual(report["verdict"]["fault"], "nothing-found", report["verdict"])
                self.assertEqual(report["findings"], [])
                self.assertIn(attempt["outcome"], outcomes)
                self.assertIsNotNone(attempt["rpm"])
                self.assertTrue(rpm[0] - 1 <= attempt["rpm"] <= rpm[1] + 1, attempt["rpm"])
                if crank:
                    self.assertAlmostEqual(attempt["to_s"] - attempt["from_s"],
                                           crank[1] - crank[0], delta=0.1)

    def test_a_collapse_laid_over_is_found_inside_its_interval(self):
        for file, _, crank, _, _, collapse in ENGINES:
            if collapse is None:
                continue
            with self.subTest(file):
                report = self.collapsed[file].result()
                verdict = report["verdict"]
                self.assertEqual(verdict["fault"], "feed-collapse", verdict)
                self.assertEqual((verdict["circuit"], verdict["sensor"], verdict["channel"]),
                                 ("feed", "crank", "crank-feed"))
                self.assertLess(verdict["at_to_s"] - verdict["at_from_s"], 0.01)
                if crank:  # against the engagement, which is dated to some milliseconds
                    behind = verdict["at_s"] - report["attempts"][0]["from_s"]
                    self.assertAlmostEqual(behind, collapse[0] - crank[0], delta=0.02)

    def test_an_inductive_sensor_at_steady_cranking(self):
        report = self.steady.result()
        self.assertEqual(len(report["attempts"]), 1)
        attempt = report["attempts"][0]
        self.assertEqual(report["verdict"]["fault"], "nothing-found", report["verdict"])
        self.assertTrue(159 <= attempt["rpm"] <= 162, attempt["rpm"])  # "160-161 wheel rev/min"
        self.assertAlmostEqual(attempt["to_s"] - attempt["from_s"], 6.1, delta=0.1)  # "6.0 s"


if __name__ == "__main__":
    harness.main()
