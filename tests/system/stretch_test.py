#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""stretch_test.py - `cranktrap report --from`: a whole night out of the ring, in place, beside the
daemon that has it open. What it says of each attempt is what the attempt's own snapshot says."""
import datetime
import json

import harness

BEGINS = datetime.datetime(2026, 1, 15, 2, 0)
HOURS, ATTEMPTS, FAILED = 0.4, 4, 3
NIGHT = f"""driver = sim
rate = 2000
pace = free
hours = {HOURS}
begins = {BEGINS.isoformat()}
attempts = {ATTEMPTS}
fault = feed-collapse
fault-attempt = {FAILED}
seed = 3
wheel = 36-1
cylinders = 4"""
ENDS = BEGINS + datetime.timedelta(hours=HOURS)
MOMENT_S = 0.01  # elapsed times by the clocks of a snapshot and by those of the whole night


def night(ring):
    return harness.van(NIGHT, "36-1", f"ring = {ring}", battery="divider = 5.7")


def told(report, attempt):
    """What was found, and of which circuit; without the numbers beside it."""
    verdict = attempt["verdict"]
    return (attempt["outcome"], *(verdict[key] for key in
                                  ("fault", "circuit", "sensor", "channel", "certainty"))), \
        report["elapsed_s"] + attempt["from_s"]


class Stretch(harness.Case):
    def snapshots(self, daemon):
        """The attempts of the snapshots that are analysed, in order of time."""
        found = {}
        for path in sorted((daemon.state / "snapshots").glob("*.json")):
            try:
                report = json.loads(path.read_text())
            except ValueError:
                continue  # a file of another kind beside them
            for attempt in report.get("attempts", ()):
                words, at_s = told(report, attempt)
                found[round(at_s, 1)] = (words, at_s)
        return [found[at] for at in sorted(found)]

    def attempts(self, daemon, *arguments, status=0):
        done = daemon.ask("report", "--json", *arguments, status=status)
        report = json.loads(done.stdout)
        self.assertEqual([a["number"] for a in report["attempts"]],
                         list(range(1, len(report["attempts"]) + 1)))
        return report, [told(report, a) for a in report["attempts"]]

    def assert_same(self, attempts, expected):
        self.assertEqual([words for words, _ in attempts], [words for words, _ in expected])
        for (_, at_s), (_, expected_s) in zip(attempts, expected):
            self.assertAlmostEqual(at_s, expected_s, delta=MOMENT_S)

    def started(self, ring):
        daemon = self.daemon(night(ring)).start().ready()
        harness.until(lambda: self.snapshots(daemon), f"a snapshot:\n{daemon.log_text()}")
        return daemon

    def whole(self, daemon):
        harness.until(lambda: len(self.snapshots(daemon)) == ATTEMPTS,
                      f"{ATTEMPTS} snapshots:\n{daemon.log_text()}")
        harness.until(lambda: "come to its end" in daemon.log_text(), "the end of the night")
        return self.snapshots(daemon)

    def test_the_night_is_what_its_snapshots_are(self):
        daemon = self.started("32 MiB")
        _, early = self.attempts(daemon, "--from", BEGINS.isoformat())  # it still writes
        expected = self.whole(daemon)
        self.assertGreater(len(list((daemon.state / "ring").glob("*.ring"))), 3)
        self.assert_same(early[:-1], expected[:max(len(early) - 1, 0)])  # the last may be cut

        report, attempts = self.attempts(daemon, "--from", BEGINS.isoformat())
        self.assert_same(attempts, expected)
        self.assertEqual(report["attempt"], FAILED)
        self.assertEqual(report["losses"], [])
        self.parts(daemon, report, expected)
        self.text_and_status(daemon)
        daemon.stop()
        self.assertEqual(self.attempts(daemon, "--from", f"-{HOURS + 1}h")[1], attempts)

    def parts(self, daemon, report, expected):
        """Cut at full minutes between the attempts: each part has its own, numbered from 1."""
        second = report["attempts"][1]["to_s"] + 60
        third = report["attempts"][2]["from_s"] - 10
        self.assertLess(second, third)
        cut = BEGINS + datetime.timedelta(seconds=int((second + third) / 2))
        before, attempts = self.attempts(daemon, "--from", BEGINS.isoformat(), "--to",
                                         cut.isoformat())
        self.assert_same(attempts, expected[:2])
        self.assertAlmostEqual(before["duration_s"], (cut - BEGINS).total_seconds(), delta=0.01)
        after, attempts = self.attempts(daemon, "--from", cut.isoformat())
        self.assert_same(attempts, expected[2:])
        self.assertEqual(after["attempt"], FAILED - 2)
        self.assertAlmostEqual(before["duration_s"] + after["duration_s"], report["duration_s"],
                               delta=0.01)

    def text_and_status(self, daemon):
        done = daemon.ask("report", "--from", BEGINS.isoformat(), "--fail-on-fault", status=1)
        self.assertIn("feed-collapse", done.stdout)
        self.assertIn(f"The ring from {BEGINS} to {ENDS}", done.stdout)
        self.assertEqual(done.stderr, "")
        done = daemon.ask("report", "--from", "2020-01-01", "--to", "2020-01-02", status=3)
        self.assertIn(f"holds {BEGINS} to {ENDS}: nothing of that stretch", done.stderr)
        done = daemon.ask("report", "--from", "23:00", status=3)
        self.assertIn(f"ends at {ENDS}; name the day", done.stderr)
        for wrong in (("--to", "04:00"), ("--from", "dawn"), ("--from", "-1h", "1"),
                      ("--from", "-1h", "--to", "-2h"), ("--from", "-1h", "--pdf")):
            self.assertIn("usage", daemon.ask("report", *wrong, status=2).stderr)

    def test_what_is_pruned_is_told(self):
        daemon = self.started("2 MiB")
        expected = self.whole(daemon)
        done = daemon.ask("report", "--json", "--from", BEGINS.isoformat())
        report = json.loads(done.stdout)
        self.assertIn("the ring holds nothing of this stretch before 2026-01-15 02:", done.stderr)
        self.assertLess(report["duration_s"], HOURS * 3600 - 60)
        whole = [a for a in report["attempts"] if a["from_s"] > 10]  # not cut by the pruning
        self.assert_same([told(report, a) for a in whole],
                         expected[len(expected) - len(whole):])

    def test_no_ring_is_said(self):
        done = harness.run("report", "--from", "-1h", "--state", self.folder, status=3)
        self.assertIn("ring: No such file", done.stderr)


if __name__ == "__main__":
    harness.main()
