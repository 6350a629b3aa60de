#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""recordings_test.py - recordings of real engines, played at true pace by the fake board over a
pseudo-terminal to the real daemon: an attempt is found, no fault; with a collapse laid over, it is.

Speeds beside each case are those of SOURCES.md, the list that comes with the recordings.
"""
import pathlib

import harness

class Recordings(harness.Case):
    def setUp(self):
        super().setUp()
        if not harness.DATA:
            self.skipTest("recordings of real engines (CRANKTRAP_DATA names no folder)")

    def attempt(self, file, wheel, *arguments):
        """Plays a recording; the report of the snapshot that the cranking made."""
        self.board = self.fakeboard("--edges", pathlib.Path(harness.DATA) / file, "--lead-in", "5",
                                    "--lead-out", "6", "--at-end", "hold", *arguments)
        daemon = self.daemon(harness.van(
            f"driver = packet-serial\ndevice = {self.board.link}", wheel, "before = 3 s\nafter = 3 s")).start().ready()
        report = daemon.state / "snapshots" / "0001.json"
        harness.until(report.exists, "the report of the attempt")
        harness.until(lambda: daemon.status()["state"] == "watching", "the end of the snapshot")
        result = daemon.json("report", "1")
        status = daemon.status()
        self.assertEqual(status["boards"][0]["scans_lost"], 0)
        daemon.stop()
        return result

    def test_two_teeth_never_catches(self):
        report = self.attempt("edges-2-teeth-cam-no-start.csv", "2")
        self.assertEqual(len(report["attempts"]), 1)
        attempt = report["attempts"][0]
        self.assertEqual(report["verdict"]["fault"], "nothing-found")
        self.assertEqual(attempt["outcome"], "did-not-start")
        self.assertTrue(140 < attempt["rpm"] < 230, attempt["rpm"])  # SOURCES.md: 152 to 218 rpm

    def test_a_collapse_laid_over_is_found_inside_its_interval(self):
        report = self.attempt("edges-2-teeth-cam-no-start.csv", "2", "--feed-collapse", "4,6")
        verdict = report["verdict"]
        self.assertEqual(verdict["fault"], "feed-collapse")
        self.assertEqual((verdict["circuit"], verdict["sensor"], verdict["channel"]),
                         ("feed", "crank", "crank-feed"))
        self.assertLess(verdict["at_to_s"] - verdict["at_from_s"], 0.01)
        # The recording's second 4 is 5 s of lead-in and 4 s behind its own beginning (second 0):
        # against the engagement, 0.2 s before the first edge at 1.494753 s.
        engaged = report["attempts"][0]["from_s"]
        expected = 4.0 - (1.494753 - 0.2)
        self.assertAlmostEqual(verdict["at_s"] - engaged, expected, delta=0.05)


if __name__ == "__main__":
    harness.main()
