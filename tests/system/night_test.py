#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""night_test.py - `cranktrap night` on recordings and on a state folder, without a daemon."""
import json
import math
import pathlib
import re
import shutil
import tempfile

import harness

RATE, SECONDS, CRANK = 500, 12, (4.0, 7.0)


def hookup():
    text = harness.van("", "2", "")
    text = re.sub(r"\[board logger\]\n+", "", text)
    return re.sub(r"(board|input) = .*\n", "", text)


def row(at, index, failed, sulk):
    """The feed stands 0.3 V too low in every start (a harmless offset); where it failed it falls."""
    turns = CRANK[0] <= at < CRANK[1]
    runs = at >= CRANK[1] and not failed
    down = failed and CRANK[0] + sulk <= at < CRANK[1]
    battery = 14.0 if runs else 12.5
    if turns:
        battery = 8.0 if at < CRANK[0] + 0.1 else 10.2 + 0.2 * math.sin(40 * at)
    speed = 14 if turns else 50 if runs else 0
    tooth = speed and not down and int((at - CRANK[0]) * speed) % 2
    noise = 0.002 * (index * 7 % 5 - 2)
    return (battery + noise, (0.4 if down else 4.7) + noise, 0.015 + noise,
            (0.1 if tooth else 4.65) + noise)


def csv_text(failed, sulk):
    lines = ["time_s,battery,crank-feed,crank-return,crank-signal"]
    for index in range(RATE * SECONDS):
        values = row(index / RATE, index, failed, sulk)
        lines.append(f"{index / RATE:.3f}," + ",".join(f"{value:.3f}" for value in values))
    return "\n".join(lines) + "\n"


class Night(harness.Case):
    """Eleven recordings, three of which failed."""

    FAILED = {3: 0.8, 6: 1.0, 9: 0.9}

    @classmethod
    def setUpClass(cls):
        cls.shelf = pathlib.Path(tempfile.mkdtemp(prefix="cranktrap-"))
        cls.addClassCleanup(shutil.rmtree, cls.shelf, ignore_errors=True)
        (cls.shelf / "van.hookup").write_text(hookup())
        (cls.shelf / "snapshots").mkdir()
        cls.files = []
        for number in range(1, 12):
            csv = cls.shelf / "one.csv"
            csv.write_text(csv_text(number in cls.FAILED, cls.FAILED.get(number, 0)))
            path = cls.shelf / "snapshots" / f"{number:04d}.crank"
            harness.run("import", csv, "--hookup", cls.shelf / "van.hookup", "--out", path)
            cls.files.append(path)

    def night(self, *arguments):
        return json.loads(harness.run("night", "--json", *arguments).stdout)

    def test_contrast(self):
        night = self.night(*self.files)
        self.assertEqual((night["started"], night["failed"], night["other"]), (8, 3, 0))
        self.assertEqual([a["number"] for a in night["attempts"] if a["failed"]],
                         sorted(self.FAILED))
        feed = next(r for r in night["readings"] if r["reading"] == "crank-feed, cranking: lowest")
        self.assertEqual(feed["apart"], "lower")
        self.assertLess(feed["failed_highest"], 0.5)
        self.assertGreater(feed["started_lowest"], 4.6)
        # The 8 others are equal: only the 3 of 165 choices that happened lie as far out.
        self.assertAlmostEqual(feed["chance"], 1 / math.comb(11, 3), delta=1.5 / 165)
        self.assertGreaterEqual(feed["chance_of_any"], feed["chance"])

    def test_alike_is_not_blamed(self):
        """4.7 V for a 5 V feed is out of its limits, but so it was in all that started."""
        alike = self.night(*self.files)["alike"]
        self.assertIn({"check": "feed level", "channel": "crank-feed", "phase": "key-on"}, alike)
        # While cranking it fell much further where the start failed.
        self.assertNotIn("cranking", [a["phase"] for a in alike if a["channel"] == "crank-feed"])

    def test_repair(self):
        repair = self.night(*self.files)["repair"]
        self.assertAlmostEqual(repair["share"], 3 / 11)
        # scipy 1.10: binomtest(3, 11).proportion_ci(method="exact")
        self.assertAlmostEqual(repair["share_low"], 0.0602177, places=6)
        self.assertAlmostEqual(repair["share_high"], 0.6097426, places=6)
        self.assertEqual(repair["clean_starts"], math.ceil(math.log(0.05) / math.log(8 / 11)))

    def test_recurs(self):
        recurs = self.night(*self.files)["recurs"]
        self.assertEqual(sum(r["times"] for r in recurs), 3)

    def test_text(self):
        text = harness.run("night", *self.files).stdout
        self.assertLessEqual(max(map(len, text.splitlines())), 80)
        self.assertIn("11 attempts: 8 started, 3 failed", text)
        self.assertIn("once in 165", text)

    def test_state_folder_without_reports(self):
        """The same attempts; what has no report, or an older program's, is analysed anew."""
        old = self.shelf / "snapshots" / "0002.json"
        old.write_text('{"software": "cranktrap 0.0.1", "attempts": []}')
        self.addCleanup(old.unlink)
        self.assertEqual(self.night("--state", self.shelf)["attempts"],
                         self.night(*self.files)["attempts"])

    def test_too_few(self):
        text = harness.run("night", *self.files[1:4]).stdout
        self.assertIn("Nothing can be said yet", text)
        self.assertIn("No attempt failed", harness.run("night", *self.files[:2]).stdout)
        self.assertIn("No attempt started", harness.run("night", self.files[2]).stdout)

    def test_since(self):
        self.assertIn("usage", harness.run("night", "--since", "dawn", status=2).stderr)
        # An imported recording has the date of its import.
        self.assertEqual(self.night("--since", "-1h", *self.files)["failed"], 3)
        self.assertEqual(self.night("--since", "2100-01-01", *self.files)["attempts"], [])

    def test_what_cannot_be_read(self):
        done = harness.run("night", self.shelf / "absent.crank", self.files[0])
        self.assertIn("absent.crank", done.stderr)
        self.assertIn("1 attempt: 1 started", done.stdout)
        harness.run("night", "--state", self.shelf / "nowhere", status=3)


if __name__ == "__main__":
    harness.main()
