#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""recordings_test.py - recordings of real engines, played by the fake board over pseudo-terminals
to real daemons: attempts are found, and no fault; with a collapse laid over, it is found where it was.

Some are played side by side, each to a daemon of its own. Speeds, times and what each recording
shows are those of SOURCES.md, the list that comes with the recordings; the leads that it does not
hold (battery, feed, return) are drawn by the fake board, or here. A recording that ends with the
engine running is prolonged by its last turns, for no engine stops within a tooth.

Played faster, the engine turns faster by as much: speeds are compared as played.
"""
import concurrent.futures
import dataclasses
import pathlib
import re
import tempfile
import unittest

import numpy

import harness

LEAD_IN_S = 4.0
LEAD_OUT_S = 5.0
FASTER = 1.5  # still a speed at which a starter may turn an engine
EDGES_HZ = 5000
INDUCTIVE_HZ = 10000  # SOURCES.md: 10 kS/s
ONSET_SCANS = 2.01  # no wider: from the last scan before the fall to the first behind it
DIGIT_S = 1e-6  # the last of the times that are compared
DATA = pathlib.Path(harness.DATA)
RUNS = ("started",)
DIES = ("did-not-start",)


@dataclasses.dataclass(frozen=True)
class Engine:
    """A recording of edges; seconds are its own, its first column."""
    file: str
    wheel: str
    rpm: tuple  # slowest and fastest turn while cranking
    outcomes: tuple
    collapse: tuple  # laid over: from, to
    crank: tuple = None  # starter's engagement, release; None: 0.2 s before the first edge, the last
    edges_in_cycle: int = 0  # of the crank, either way, in two turns; 0: it stops by itself
    pace: float = FASTER
    rate_hz: int = EDGES_HZ


ENGINES = [
    # "8.9 s of cranking that never catches, 152 -> 218 rpm"
    Engine("edges-2-teeth-cam-no-start.csv", "2", (152, 218), DIES, (4.0, 6.0)),
    # "a burst of 2-5 us glitches at 1.7818 s, then cranks 128-203 rpm and catches": glitches so
    # short fall between the samples of any board here, and are therefore not seen
    Engine("edges-13-teeth-two-cams-catches.csv", "13", (128, 203), RUNS, (2.4, 2.9),
           crank=(1.66, 3.2), edges_in_cycle=52),
    # "no compression: dead steady 188-190 rpm, 3.1 s"
    Engine("edges-plugs-out-steady.csv", "13", (188, 190), DIES, (57.0, 58.0)),
    # "24 duty-coded teeth a turn, from rest 95 -> 136 rpm, 1.4 s"
    Engine("edges-24-teeth-from-rest.csv", "24", (95, 136), DIES, (48.2, 48.6)),
    # "4 uneven teeth a turn + cam; cranks 180-232 rpm, catches, runs"
    Engine("edges-crank-cam-catches.csv", "4", (180, 232), RUNS, (2.2, 2.7),
           crank=(1.37, 3.0), edges_in_cycle=16),
    # "36-2 wheel, 308-329 rpm, noisy": fast enough as it is
    Engine("edges-36-2-noisy.csv", "36-2", (308, 329), DIES, (0.7, 1.1), pace=1),
]

# "36-2-1 wheel (33 between gaps) + cam, running at 1401-1438 rpm": no starter is in it, so it is
# put where the board does not yet look. At EDGES_HZ a tooth has too few samples for its rate.
RUNNING = Engine("edges-running.csv", "36-2-1", (1401, 1438), (), None, crank=(-9.0, -8.0),
                 edges_in_cycle=132, pace=1, rate_hz=12000)

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
[channel pressure-feed]
board = logger
input = 3
role = feed
nominal = 5
[sensor crank]
kind = inductive
return = crank-return
signal = crank-signal
wheel = 60-2
[storage]
before = 2 s
after = 2 s
"""


def rows_of(daemon):
    """Times and volts of snapshot 1, one row a scan."""
    path = daemon.folder / "snapshot.csv"
    daemon.ask("convert", "1", "--out", path)
    head = int(re.search("[0-9]+", path.read_text())[0])  # docs/convert.md: lines before the rows
    return numpy.loadtxt(path, delimiter=",", skiprows=head)


def first_move(volts):
    """The first scan whose signal is no longer where it rested."""
    return int(numpy.argmax(numpy.abs(volts - volts[0]) > 0.3))


@dataclasses.dataclass
class Played:
    report: dict
    rows: numpy.ndarray
    board_says: str


def play(folder, hookup, arguments, silent_ok, by_hand=False):
    """Plays to a daemon in `folder` until there is a report: of the first cranking, or `by_hand`."""
    board = harness.FakeBoard(folder, [*arguments, "--at-end", "hold"])
    daemon = harness.Daemon(folder, hookup.replace("{device}", str(board.link)))
    try:
        daemon.start().ready()
        if by_hand:
            harness.until(lambda: daemon.streaming()["scans"] > 4 * RUNNING.rate_hz, "4 s of scans")
            daemon.ask("keep", "it runs")
        report = daemon.state / "snapshots" / "0001.json"
        harness.until(report.exists, f"the report of the attempt:\n{daemon.log_text()}")
        harness.until(lambda: daemon.status()["state"] == "watching", "the end of the snapshot")
        played = Played(daemon.json("report", "1"), rows_of(daemon), board.log.read_text())
        status = daemon.status()
        if status["boards"][0]["scans_lost"] != 0:
            raise AssertionError(f"scans were lost: {status['boards'][0]}")
        daemon.stop()
        # No real engine falls silent while it turns, unless its sensor was let down here.
        if "had no edge" in daemon.log_text() and not silent_ok:
            raise AssertionError(f"a signal is taken for silent:\n{daemon.log_text()}")
        return played
    finally:
        daemon.cleanup()
        board.cleanup()


def prolong(path, edges_in_cycle, seconds, out):
    """The recording with its last two turns repeated for `seconds`."""
    table = numpy.genfromtxt(path, delimiter=",", skip_header=1)
    crank = table[:, 1] > 0.5
    edges = 1 + numpy.flatnonzero(crank[1:] != crank[:-1])
    cycle = table[edges[-1 - edges_in_cycle] + 1:edges[-1] + 1]
    cycle_s = table[edges[-1], 0] - table[edges[-1 - edges_in_cycle], 0]
    parts = [table[:edges[-1] + 1]]
    for number in range(1, 1 + int(seconds / cycle_s)):
        parts.append(cycle + numpy.eye(1, table.shape[1]) * number * cycle_s)
    numpy.savetxt(out, numpy.concatenate(parts), delimiter=",", fmt="%.9f")


def play_edges(engine, collapse, by_hand=False):
    with tempfile.TemporaryDirectory(prefix="cranktrap-") as folder:
        path = DATA / engine.file
        if engine.edges_in_cycle:
            path = pathlib.Path(folder) / "prolonged.csv"
            prolong(DATA / engine.file, engine.edges_in_cycle, 15, path)
        arguments = ["--edges", path, "--rate", engine.rate_hz, "--pace", engine.pace,
                     "--lead-in", 0 if by_hand else LEAD_IN_S, "--lead-out", LEAD_OUT_S]
        arguments += ["--crank", f"{engine.crank[0]},{engine.crank[1]}"] if engine.crank else []
        arguments += ["--feed-collapse", f"{collapse[0]},{collapse[1]}"] if collapse else []
        hookup = harness.van("driver = packet-serial\ndevice = {device}", engine.wheel,
                             "before = 2 s\nafter = 3 s")
        return play(folder, hookup, arguments, bool(collapse), by_hand)


def draw_inductive(file, crank_s, runs, collapse):
    """The analogue recording as a signal, with the leads that fit: time, battery, return, signal
    and the feed of another sensor. Seconds of the table, in which the recording begins at LEAD_IN_S."""
    volts = numpy.loadtxt(DATA / file, delimiter=",", skiprows=1, usecols=1)
    before = numpy.full(int(LEAD_IN_S * INDUCTIVE_HZ), volts[0])
    last = volts[-2000:] if runs else volts[-1]  # 0.2 s: turns that are fast and much alike
    after = numpy.resize(last, int(2 * LEAD_OUT_S * INDUCTIVE_HZ))
    signal = numpy.concatenate([before, volts, after])
    times = numpy.arange(len(signal)) / INDUCTIVE_HZ
    turns_s = times - (LEAD_IN_S - 0.1)
    pulled = (turns_s >= 0) & (times < LEAD_IN_S + crank_s)
    battery = numpy.where((times > LEAD_IN_S) & runs, 14.0, 12.6)
    battery[pulled] = 10.4 - 2.2 * numpy.exp(-turns_s[pulled] / 0.06) \
        + 0.2 * numpy.sin(2 * numpy.pi * 5.35 * turns_s[pulled])
    noise = numpy.random.default_rng(1)
    feed = 5.0 + noise.normal(0, 0.003, len(times))
    if collapse:
        feed[(times >= collapse[0]) & (times < collapse[1])] -= 4.4
    return numpy.column_stack([times, battery + noise.normal(0, 0.004, len(times)),
                               numpy.abs(noise.normal(0.01, 0.003, len(times))), signal, feed])


def play_inductive(file, crank_s, runs, collapse):
    with tempfile.TemporaryDirectory(prefix="cranktrap-") as folder:
        path = pathlib.Path(folder) / "played.csv"
        numpy.savetxt(path, draw_inductive(file, crank_s, runs, collapse), delimiter=",",
                      fmt="%.5f")
        return play(folder, INDUCTIVE, ["--csv", path, "--rate", INDUCTIVE_HZ, "--signed",
                                        "--pace", FASTER], bool(collapse))


# Recording, how long the starter is engaged, whether it runs, slowest and fastest turn, and the
# seconds of a collapse. "160-161 wheel rev/min", 6.0 s; "crank, catch, run-up; revs at 175, 208,
# 235, 259, 280, 300, 317, 334, 349 per min, then [...] clipped at both rails from 2.2 s".
INDUCTIVES = [("analog-60-2-steady.csv", 6.0, False, (160, 161), (6.0, 7.0)),
              ("analog-60-2-runup.csv", 2.2, True, (175, 349), (5.0, 5.6))]


class Recordings(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        if not harness.DATA:
            raise unittest.SkipTest("recordings of real engines (CRANKTRAP_DATA names no folder)")
        cls.pool = concurrent.futures.ThreadPoolExecutor(max_workers=9)
        cls.addClassCleanup(cls.pool.shutdown)
        cls.clean = {e.file: cls.pool.submit(play_edges, e, None) for e in ENGINES}
        cls.running = cls.pool.submit(play_edges, RUNNING, None, by_hand=True)
        cls.collapsed = {e.file: cls.pool.submit(play_edges, e, e.collapse) for e in ENGINES}
        for file, crank_s, runs, _, collapse in INDUCTIVES:
            cls.clean[file] = cls.pool.submit(play_inductive, file, crank_s, runs, None)
            cls.collapsed[file] = cls.pool.submit(play_inductive, file, crank_s, runs, collapse)

    def no_fault(self, played):
        report = played.report
        self.assertEqual(report["verdict"]["fault"], "nothing-found", report["verdict"])
        self.assertEqual(report["findings"], [])
        self.assertEqual(report["losses"], [])
        return report

    def attempt_without_fault(self, played, rpm, pace, outcomes):
        report = self.no_fault(played)
        self.assertEqual(len(report["attempts"]), 1)
        attempt = report["attempts"][0]
        self.assertIn(attempt["outcome"], outcomes)
        self.assertIsNotNone(attempt["rpm"])
        self.assertGreater(attempt["rpm"] / pace, rpm[0] - 1)
        self.assertLess(attempt["rpm"] / pace, rpm[1] + 1)
        return attempt["to_s"] - attempt["from_s"]

    def collapse_inside_its_interval(self, played, channel, true_s, scan_s):
        verdict = played.report["verdict"]
        self.assertEqual(verdict["fault"], "feed-collapse", verdict)
        self.assertEqual((verdict["circuit"], verdict["channel"]), ("feed", channel))
        self.assertLessEqual(verdict["at_from_s"], true_s + DIGIT_S)
        self.assertGreaterEqual(verdict["at_to_s"], true_s - DIGIT_S)
        self.assertLessEqual(verdict["at_to_s"] - verdict["at_from_s"], ONSET_SCANS * scan_s)

    def true_onset(self, played, signal, move_s, fall_s, rate_hz):
        """On the report's axis: the scan in which the signal first moves is known on both sides."""
        times = played.rows[:, 0]
        ahead = numpy.ceil(move_s * rate_hz)  # of the first scan that is not before it
        scan = first_move(played.rows[:, signal]) + fall_s * rate_hz - ahead
        return numpy.interp(scan, numpy.arange(len(times)), times)

    def test_no_fault_where_there_is_none(self):
        for engine in ENGINES:
            with self.subTest(engine.file):
                cranked_s = self.attempt_without_fault(self.clean[engine.file].result(), engine.rpm,
                                                       engine.pace, engine.outcomes)
                if engine.crank:
                    self.assertAlmostEqual(cranked_s * engine.pace,
                                           engine.crank[1] - engine.crank[0], delta=0.15)

    def test_an_engine_that_runs(self):
        played = self.running.result()
        report = self.no_fault(played)
        self.assertEqual(report["attempts"], [])
        self.assertEqual(report["phases"][-1]["name"], "running")
        signal = next(c for c in report["channels"] if c["channel"] == "crank-signal")
        running = next(level for level in signal["levels"] if level["phase"] == "running")
        turns_s = running["edges_per_s"] / (2 * 33)  # 36-2-1: 33 teeth, two edges each
        self.assertGreater(turns_s * 60, RUNNING.rpm[0] - 1)
        self.assertLess(turns_s * 60, RUNNING.rpm[1] + 1)

    def test_a_collapse_laid_over_is_found_inside_its_interval(self):
        for engine in ENGINES:
            with self.subTest(engine.file):
                played = self.collapsed[engine.file].result()
                move_s = float(re.search("first edge comes at (.*) s", played.board_says)[1])
                fall_s = float(re.search("feed falls at (.*) s and", played.board_says)[1])
                true_s = self.true_onset(played, 4, move_s, fall_s, engine.rate_hz)
                self.collapse_inside_its_interval(played, "crank-feed", true_s,
                                                  1 / engine.rate_hz / engine.pace)

    def test_inductive_sensors(self):
        for file, crank_s, runs, rpm, _ in INDUCTIVES:
            with self.subTest(file):
                cranked_s = self.attempt_without_fault(self.clean[file].result(), rpm, FASTER,
                                                       RUNS if runs else DIES)
                self.assertAlmostEqual(cranked_s * FASTER, crank_s + 0.1, delta=0.15)

    def test_the_feed_of_another_sensor_beside_an_inductive_one(self):
        for file, crank_s, runs, _, collapse in INDUCTIVES:
            with self.subTest(file):
                played = self.collapsed[file].result()
                drawn = draw_inductive(file, crank_s, runs, collapse)
                move_s = drawn[first_move(drawn[:, 3]), 0]
                true_s = self.true_onset(played, 3, move_s, collapse[0], INDUCTIVE_HZ)
                self.collapse_inside_its_interval(played, "pressure-feed", true_s,
                                                  1 / INDUCTIVE_HZ / FASTER)


if __name__ == "__main__":
    harness.main()
