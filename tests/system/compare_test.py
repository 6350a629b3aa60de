#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""compare_test.py - `cranktrap compare`: which attempt is put beside which, and what is said to have
changed: that which the simulated night was told to break, and not the rest."""
import json
import shutil

import harness


class Compare(harness.Case):
    def setUp(self):
        super().setUp()
        daemon = self.daemon(harness.van(
            "driver = sim\npace = free\nhours = 0.1\nattempts = 4\nfault = feed-collapse\n"
            "fault-attempt = 3", "36-1", "", "divider = 5.7")).start()
        self.state = daemon.state
        harness.until(lambda: (self.state / "snapshots" / "0004.json").exists(), "the last report")
        daemon.stop()

    def compare(self, *words):
        return json.loads(harness.run("compare", *words, "--state", self.state, "--json").stdout)

    def test_beside_a_good_one(self):
        found = self.compare()
        self.assertEqual(found["first"]["number"], 3)
        self.assertEqual(found["chosen"], "like-speed")
        self.assertEqual(found["second"]["outcome"], "started")
        harness.run("list", "--good", "1", "--state", self.state)
        found = self.compare()
        self.assertEqual((found["chosen"], found["second"]["number"]), ("marked-good", 1))
        changed = {reading["reading"] for reading in found["readings"] if reading["changed"]}
        self.assertIn("crank-feed, cranking: lowest", changed)
        # (The battery's average does change: a longer cranking, and no engine that helps.)
        self.assertFalse([name for name in changed if name.startswith("crank-return")])
        self.assertNotIn("battery, key-on: average", changed)
        judged = {(c["channel"], c["check"], c["phase"]): (c["first"], c["second"])
                  for c in found["checks"]}
        first, second = judged["crank-feed", "feed level", "cranking"]
        self.assertEqual((first["result"], second["result"]), ("fail", "pass"))
        # Both as the reports have them, each of its own attempt.
        for number, key in ((3, "first"), (1, "second")):
            report = json.loads(harness.run("report", number, "--state", self.state,
                                            "--json").stdout)
            for check in report["checks"]:
                place = check["channel"], check["check"], check["phase"]
                pair = dict(zip(("first", "second"), judged[place]))
                self.assertEqual(pair[key]["measured"], check["measured"])
        text = harness.run("compare", "--state", self.state).stdout
        self.assertIn("The second is marked good.", text)
        self.assertIn("feed level of crank-feed, cranking: fail in the first, pass in the second",
                      " ".join(text.split()))

    def test_two_that_are_named(self):
        """Files and numbers; an attempt beside itself differs in nothing."""
        path = self.folder / "copy.crank"
        shutil.copy(self.state / "snapshots" / "0003.crank", path)
        found = self.compare(path, "3")
        self.assertEqual((found["chosen"], found["first"]["number"]), ("given", None))
        self.assertEqual([r["reading"] for r in found["readings"] if r["changed"]], [])
        self.assertTrue(all(r["first"]["value"] == r["second"]["value"]
                            for r in found["readings"]))
        harness.run("compare", "77", "--state", self.state, status=3)
        harness.run("compare", "1", "2", "3", "--state", self.state, status=2)
        empty = self.folder / "empty"
        (empty / "snapshots").mkdir(parents=True)
        harness.run("compare", path, "--state", empty, status=3)
        harness.run("compare", "--state", empty, status=3)


if __name__ == "__main__":
    harness.main()
