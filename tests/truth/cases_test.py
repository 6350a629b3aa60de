#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""The generator against itself: do the labels say what stands in the CSV?"""
import configparser
import pathlib
import sys
import tempfile
import unittest

import numpy

sys.path.insert(0, str(pathlib.Path(__file__).parent))
import board   # noqa: E402
import cases   # noqa: E402
import kinds   # noqa: E402
import score   # noqa: E402


def written(seed, kind):
    """A case as a reader of its files sees it."""
    case = cases.Case(seed, kind)
    with tempfile.TemporaryDirectory() as folder:
        table, hookup = pathlib.Path(folder) / "a.csv", pathlib.Path(folder) / "a.hookup"
        board.write(case, table, hookup)
        with open(table, encoding="ascii") as file:
            names = file.readline().strip().split(",")
            values = numpy.loadtxt(file, delimiter=",")
        told = configparser.ConfigParser()
        told.read(hookup)
    return case, dict(zip(names, values.T)), told


def visible(kind, first=1):
    """The first case of a kind whose channels can show it."""
    seed = first
    while not cases.Case(seed, kind).label["visible"]:
        seed += 1
    return written(seed, kind)


class Files(unittest.TestCase):
    def test_columns_are_the_channels_of_the_hookup(self):
        case, table, told = written(3, "return-open")
        sections = {name[8:] for name in told.sections() if name.startswith("channel ")}
        self.assertEqual(sections, set(table) - {"time_s"})
        self.assertEqual(sections, set(case.label["channels"]))

    def test_sensors_of_every_kind_name_channels_that_are_there(self):
        for kind in kinds.KINDS:
            case, told = cases.Case(4, kind), configparser.ConfigParser()
            told.read_string(board.hookup(case))
            for name in told.sections():
                for key in ("feed", "return", "signal"):
                    if name.startswith("sensor ") and key in told[name]:
                        self.assertIn(told[name][key], case.label["channels"], kind)

    def test_same_seed_same_case(self):
        one, other = written(5, "feed-collapse"), written(5, "feed-collapse")
        self.assertEqual(one[0].label, other[0].label)
        for name in one[1]:
            numpy.testing.assert_array_equal(one[1][name], other[1][name])


class Labels(unittest.TestCase):
    def test_feed_is_down_from_the_onset_and_was_up_before(self):
        for seed in (1, 50, 90):
            case, table, _ = visible("feed-collapse", seed)
            onset, feed, time = case.label["onset"], table[case.label["channel"]], table["time_s"]
            after = feed[(time >= onset) & (time < onset + 0.01)]
            before = feed[(time < onset) & (time > onset - 0.2)]
            self.assertLess(after.max(), 1.3)
            self.assertGreater(before.min(), 3.5)

    def test_return_stands_over_its_limit_from_the_onset(self):
        case, table, _ = visible("return-rise")
        onset, time = case.label["onset"], table["time_s"]
        level = table[case.label["channel"]]
        self.assertGreater(level[(time > onset) & (time < case.label["end"] - 0.01)].mean(), 0.2)
        self.assertLess(level[(time < onset) & (time > onset - 0.2)].mean(), 0.1)

    def test_lost_signal_rests_and_swung_before(self):
        case, table, _ = visible("signal-lost")
        onset, time = case.label["onset"], table["time_s"]
        wire, release = table[case.label["channel"]], case.main.release
        self.assertGreater(numpy.ptp(wire[(time < onset) & (time > onset - 0.6)]), 1.5)
        # What is left is the ripple of the wire that it rests on.
        self.assertLess(numpy.ptp(wire[(time > onset) & (time < release)]), 1.5)

    def test_gaps_are_longer_than_the_pulses_around(self):
        case, table, _ = visible("signal-gaps")
        time, wire, main = table["time_s"], table[case.label["channel"]], case.main
        high = wire > (wire.max() + wire.min()) / 2
        edges = time[1:][high[1:] & ~high[:-1]]
        edges = edges[(edges > main.engage + 0.4) & (edges < main.release)]
        gaps, usual = numpy.diff(edges), numpy.median(numpy.diff(edges))
        over = edges[:-1][(gaps > 1.8 * usual) & (edges[1:] > case.label["onset"])]
        self.assertGreater(len(over), 0)
        self.assertAlmostEqual(over[0], case.label["onset"], delta=usual * 2)

    def test_spikes_make_edges(self):
        case, table, _ = visible("signal-noise")
        time, wire, main = table["time_s"], table[case.label["channel"]], case.main
        high = wire > (wire.max() + wire.min()) / 2
        edges = time[1:][high[1:] != high[:-1]]
        rate_before = numpy.mean((edges > main.engage + 0.3) & (edges < case.label["onset"]))
        rate_after = numpy.mean((edges > case.label["onset"]) & (edges < main.release))
        before, after = case.label["onset"] - main.engage - 0.3, main.release - case.label["onset"]
        self.assertGreater(rate_after / after, 1.3 * rate_before / before)

    def test_healthy_levels_keep_the_limits_of_the_trade(self):
        for seed in range(20, 30):
            case, table, _ = written(seed, "healthy-start")
            time, main = table["time_s"], case.main
            cranking = (time > main.engage + 0.2) & (time < main.catch)
            self.assertGreater(table["battery"][cranking].mean(), 9.6 * case.machine.system / 12)
            for channel in case.channels:
                if channel.role == "return":
                    self.assertLess(table[channel.name][cranking].mean(), 0.1)

    def test_speed_of_the_label_is_the_speed_of_the_edges(self):
        case, table, told = written(3, "healthy-failure")
        sensor, main, time = case.sensors[0], case.main, table["time_s"]
        self.assertIn(f"sensor {sensor.name}", told)
        wire = table[sensor.signal] - table[sensor.low_side]
        high = wire > (wire.max() + wire.min()) / 2
        begin, end = main.engage + 0.5, main.release - 0.05
        part = (time[1:] > begin) & (time[1:] < end)
        edges = numpy.count_nonzero((high[1:] & ~high[:-1])[part])
        turns = edges / len(sensor.windows)
        turned = numpy.interp([begin, end], case.machine.time, case.machine.angle)
        self.assertAlmostEqual(turns, turned[1] - turned[0], delta=1.1)

    def test_hidden_faults_have_lost_what_would_show_them(self):
        found = 0
        for seed in range(1, 60):
            case = cases.Case(seed, "feed-collapse")
            if not case.label["visible"]:
                found += 1
                self.assertFalse([one for one in case.channels if one.role == "feed"])
        self.assertGreater(found, 0)


class Bounds(unittest.TestCase):
    def test_rule_of_three(self):
        """No failure in n: the exact upper bound is 1 - 0.025^(1/n) (Clopper and Pearson 1934)."""
        found = score.share(0, 300)
        self.assertAlmostEqual(found["high"], 1 - 0.025 ** (1 / 300), places=9)
        self.assertEqual(found["low"], 0.0)


if __name__ == "__main__":
    unittest.main()
