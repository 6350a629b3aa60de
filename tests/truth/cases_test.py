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
import truth   # noqa: E402


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


def visible(kind, first=1, suits=lambda case: True):
    """The first case of a kind whose channels can show it."""
    for seed in range(first, first + 200):
        case = cases.Case(seed, kind)
        if case.label["visible"] and case.ground_at == "battery-negative" and suits(case):
            return written(seed, kind)
    raise LookupError(kind)


def at_sensor(case):
    return case.sensors[0].kind == "hall" and case.sensors[0].recorded is None


def rising(time, wire):
    """Times of rising edges through the middle."""
    high = wire > (wire.max() + wire.min()) / 2
    return time[1:][high[1:] & ~high[:-1]]


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
        for seed in (1, 50):
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

    def test_open_return_floats_up_and_its_output_is_silent(self):
        case, table, _ = visible("return-open", suits=lambda case: case.label["end"] is None)
        onset, time, wire = case.label["onset"], table["time_s"], table[case.sensors[0].signal]
        gone = (time > onset + 0.02) & (time < case.main.release)
        self.assertGreater(table[case.label["channel"]][gone].min(), 1.0)
        self.assertLess(numpy.ptp(wire[gone]), 1.5)

    def test_supply_takes_the_feeds_along_and_leaves_the_battery(self):
        case, table, _ = visible("supply-collapse", suits=lambda case: case.nominals)
        onset, time = case.label["onset"], table["time_s"]
        gone = (time > onset + 0.02) & (time < min(case.label["end"] or 99, onset + 0.3))
        self.assertLess(table["supply"][gone].max(), 3)
        for name in case.nominals:
            if name in table:
                self.assertLess(table[name][gone].max(), 3)
        self.assertGreater(table["battery"][gone].min(), 8)

    def test_ground_rises_in_proportion_to_the_starter_current(self):
        def both(case):
            return case.channel("ground") and case.channel("starter-current")
        case, table, _ = visible("ground-rise", suits=both)
        time, main = table["time_s"], case.main
        part = (time > main.engage) & (time < main.release)
        low_side = table[case.sensors[0].low_side][part]
        for level in (table["ground"][part], low_side):
            slope = numpy.polyfit(table["starter-current"][part], level, 1)[0]
            self.assertAlmostEqual(slope / case.options["ground_ohms"], 1, delta=0.05)

    def test_cam_moves_by_what_the_label_says(self):
        case, table, _ = visible("out-of-step")
        time, onset, cam = table["time_s"], case.label["onset"], case.sensors[1]
        edges = rising(time, table[cam.signal])
        edges = edges[(edges > case.main.engage + 0.3) & (edges < case.main.release)]
        angles = numpy.interp(edges, time, case.machine.angle)
        begins = {True: [], False: []}
        for edge, angle in zip(edges, angles):
            begins[bool(edge > onset)].append(angle * 360 % 720)
        moved = min((later - earlier + 360) % 720 - 360
                    for later in begins[True][-1:] for earlier in begins[False]
                    if abs((later - earlier + 360) % 720 - 360) < 60)
        self.assertAlmostEqual(moved, -float(case.label["severity"].split()[0]), delta=8)

    def test_nothing_is_commanded(self):
        _, table, _ = visible("no-command", suits=lambda case: case.machine.system == 12)
        keyed = table["command"] > 5
        self.assertLessEqual(numpy.count_nonzero(keyed[:-1] & ~keyed[1:]), 1, "key-off alone")

    def test_a_lost_crank_signal_ends_the_commands(self):
        def long_enough(case):
            return (case.channel("command") and case.main.outcome == "did-not-start"
                    and case.main is case.machine.attempts[-1]
                    and case.main.release - case.label["onset"] > 1)
        case, table, _ = visible("signal-lost", suits=long_enough)
        time = table["time_s"]
        after = (time > case.label["onset"] + 0.02) & (time < case.main.release)
        self.assertGreater(table["command"][after].min(), 5)

    def test_starter_engages_and_lets_go_when_the_label_says(self):
        for seed in (1, 2, 3):
            case, table, _ = visible("healthy-failure", seed * 30)
            time, twice = table["time_s"], case.machine.system / 12
            for one in case.label["attempts"]:
                before = table["battery"][(time > one["engage"] - 0.2) & (time < one["engage"])]
                after = table["battery"][(time > one["engage"]) & (time < one["engage"] + 0.03)]
                late = table["battery"][(time > one["release"] + 0.3) & (time < one["release"] + 1)]
                self.assertLess(after.min(), before.min() - 1.5 * twice)
                self.assertLess(before.max() - before.min(), 0.8 * twice)
                self.assertGreater(late.min(), after.min() + 1.0 * twice)

    def test_lost_signal_rests_and_swung_before(self):
        case, table, _ = visible("signal-lost", suits=lambda case: case.over > 99)
        onset, time = case.label["onset"], table["time_s"]
        wire, release = table[case.label["channel"]], case.main.release
        swing = numpy.ptp(wire[(time < onset) & (time > onset - 0.6)])
        self.assertGreater(swing, 1.5)
        # What is left is the ripple of the wire that it rests on.
        self.assertLess(numpy.ptp(wire[(time > onset) & (time < release)]), swing / 2)

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
        for seed in (20, 50, 80, 110):
            case, table, _ = visible("healthy-start", seed)
            time, main = table["time_s"], case.main
            cranking = (time > main.engage + 0.2) & (time < main.catch)
            self.assertGreater(table["battery"][cranking].mean(), 9.6 * case.machine.system / 12)
            for channel in case.channels:
                if channel.role == "return":
                    self.assertLess(table[channel.name][cranking].mean(), 0.1)

    def test_speed_of_the_label_is_the_speed_of_the_edges(self):
        case, table, told = visible("healthy-failure", suits=at_sensor)
        sensor, main, time = case.sensors[0], case.main, table["time_s"]
        self.assertIn(f"sensor {sensor.name}", told)
        wire = table[sensor.signal] - table[sensor.low_side]
        begin, end = main.engage + 0.5, main.release - 0.05
        edges = rising(time, wire)
        turns = numpy.count_nonzero((edges > begin) & (edges < end)) / len(sensor.windows)
        turned = numpy.interp([begin, end], case.machine.time, case.machine.angle)
        self.assertAlmostEqual(turns, turned[1] - turned[0], delta=1.1)
        self.assertAlmostEqual(case.label["attempts"][-1]["mean_rpm"], main.rpm,
                               delta=0.06 * main.rpm)

    def test_due_period_is_the_longest_between_edges_of_the_wire(self):
        case, table, _ = visible("healthy-tooth-gap", suits=at_sensor)
        case.label["onset"] = onset = case.main.engage + 1.0
        edges = rising(table["time_s"], table[case.sensors[0].signal])
        turn = 60 / case.main.rpm
        near = edges[numpy.abs(edges - onset) < 1.1 * turn]
        self.assertAlmostEqual(truth.due_period(case), numpy.diff(near).max(),
                               delta=0.15 * turn / len(case.sensors[0].windows) + 0.002)

    def test_hidden_faults_have_lost_what_would_show_them(self):
        hidden = (case for case in (cases.Case(seed, "feed-collapse") for seed in range(1, 100))
                  if not case.label["visible"])
        case = next(hidden)
        self.assertFalse([one for one in case.channels if one.role == "feed"])
        self.assertEqual(case.label["not_tested"], "feed")


class Boards(unittest.TestCase):
    def test_converter_is_off_by_no_more_than_a_cheap_one(self):
        """A microcontroller's 12-bit converter: gain within 1.9 %, offset 15.3 mV of 2 V, 32 steps
        in all at the most (its datasheet)."""
        case = cases.Case(6, "healthy-start")
        for channel in case.channels:
            seen = channel.lowest + channel.codes * channel.step
            span = channel.step * 2 ** case.label["bits"]
            inside = ((channel.values > channel.lowest + 0.05 * span) &
                      (channel.values < channel.highest - 0.05 * span))
            off = numpy.median((seen - channel.values)[inside])
            self.assertLess(abs(off), max(span * 32 / 4096, channel.step), channel.name)

    def test_fine_converters_are_written_out(self):
        case = cases.Case(8, "healthy-start")
        case.options["bits"] = 24
        board.measure(case)
        step = case.channels[0].step
        told = numpy.array([float(text) for text in board.texts(case.channels[0])])
        true = case.channels[0].lowest + case.channels[0].codes * step
        self.assertLess(numpy.abs(told - true).max(), step)


class Bounds(unittest.TestCase):
    def test_rule_of_three(self):
        """No failure in n: the exact upper bound is 1 - 0.025^(1/n) (Clopper and Pearson 1934)."""
        found = score.share(0, 300)
        self.assertAlmostEqual(found["high"], 1 - 0.025 ** (1 / 300), places=9)
        self.assertEqual(found["low"], 0.0)


if __name__ == "__main__":
    unittest.main()
