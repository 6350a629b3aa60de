#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""compare_test.py - `cranktrap compare`: which attempt is put beside which, and what is said to have
changed: that which the simulated night was told to break, and not the rest."""
import json
import math
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


HOOKUP = """[vehicle]
name = bench
system = 12
ground = battery-negative
[channel battery]
role = battery
[channel crank-signal]
role = signal
[channel cam-signal]
role = signal
[sensor crank]
kind = hall
signal = crank-signal
pull-up = 5
shaft = crank
wheel = 36-1
[sensor cam]
kind = hall
signal = cam-signal
pull-up = 5
shaft = cam
"""
CAM_EDGES = (70.0, 190.0, 400.0, 500.0)  # of the crank's two turns: low between the 1st and 2nd, ...


def crank_low(angle, moved):
    """Half of each place is tooth; of places 0 to 35 the last has none; the tooth of place 12 is
    cut `moved` degrees late."""
    place, part = divmod(angle % 360.0, 10.0)
    if place == 12:
        part -= moved
    elif place == 13 and part < moved - 5.0:
        return True
    return place < 35 and 0.0 <= part < 5.0


def rows(cam_later, moved, rpm=180.0, rate=5000):
    """Key on for a second, 4 s of cranking at one speed, key on again; by equations alone."""
    for i in range(6 * rate):
        t = i / rate
        cranks = 1.0 <= t < 5.0
        angle = (t - 1.0) * rpm * 6.0
        battery = 10.2 - 0.3 * math.cos(4 * math.pi * angle / 360.0) if cranks else 12.4
        crank = cam = 5.0
        if cranks:
            crank = 0.2 if crank_low(angle, moved) else 5.0
            on = (angle - cam_later) % 720.0
            cam = 0.2 if any(a <= on < b for a, b in zip(CAM_EDGES[::2], CAM_EDGES[1::2])) else 5.0
        # (a converter is never without noise: a step of 5 mV, to and fro)
        yield t, battery + 0.005 * (i % 2), crank + 0.005 * (i % 2), cam + 0.005 * (i % 3 % 2)


class Wheels(harness.Case):
    """Apparent pattern and phase, of recordings whose angles are known from their equations."""

    def record(self, name, cam_later=0.0, moved=0.0, rpm=180.0):
        csv, out = self.folder / f"{name}.csv", self.folder / f"{name}.crank"
        (self.folder / "bench.hookup").write_text(HOOKUP)
        with csv.open("w") as lines:
            lines.write("time_s,battery,crank-signal,cam-signal\n")
            lines.writelines("%.6f,%.4f,%.4f,%.4f\n" % row for row in rows(cam_later, moved, rpm))
        harness.run("import", csv, "--hookup", self.folder / "bench.hookup", "--out", out)
        return out

    def compare(self, first, second):
        return json.loads(harness.run("compare", first, second, "--json").stdout)

    def test_same_wheels(self):
        found = self.compare(self.record("a"), self.record("b"))
        wheel, = (w for w in found["wheels"] if w["sensor"] == "crank")
        cam, = found["cams"]
        self.assertEqual((wheel["changed"], wheel["why"]), ([], None))
        self.assertEqual((cam["changed"], cam["why"]), (False, None))
        self.assertAlmostEqual(cam["moved_by"], 0, delta=0.5)
        # The wheel as it was cut: 35 falling edges, 10 degrees apart, 20 at the gap.
        for side in ("first", "second"):
            degrees = wheel[side]["degrees"]
            self.assertEqual(len(degrees), 35)
            self.assertAlmostEqual(degrees[-1], 20, delta=0.5)
            self.assertTrue(all(abs(d - 10) < 0.5 for d in degrees[:-1]), degrees)
            # The falling edge behind the gap is at 0 degrees; the cam's as CAM_EDGES has them.
            edges = [(e["edge"], e["degrees"]) for e in cam[side]["edges"]]
            for (edge, degrees), (known, truth) in zip(
                    edges, (("falling", 40), ("falling", 70), ("rising", 140), ("rising", 190))):
                self.assertEqual(edge, known)
                self.assertAlmostEqual(degrees, truth, delta=0.5)

    def test_a_cam_that_slipped(self):
        good, bad = self.record("good"), self.record("bad", cam_later=15.0)
        for first, second, moved in ((bad, good, -15), (good, bad, 15)):
            cam, = self.compare(first, second)["cams"]
            self.assertTrue(cam["changed"])
            self.assertAlmostEqual(cam["moved_by"], moved, delta=0.5)
        text = " ".join(harness.run("compare", bad, good).stdout.split())
        self.assertIn("15.0 degrees of the crank earlier in the second, beyond both spreads", text)

    def test_a_tooth_that_is_bent(self):
        wheel = self.compare(self.record("good"), self.record("bent", moved=4.0))["wheels"][0]
        self.assertEqual(wheel["changed"], [11, 12])  # one longer, the next shorter
        self.assertAlmostEqual(wheel["second"]["degrees"][11], 14, delta=0.5)
        self.assertAlmostEqual(wheel["second"]["degrees"][12], 6, delta=0.5)

    def test_another_speed(self):
        found = self.compare(self.record("slow", rpm=140.0), self.record("fast", moved=4.0))
        self.assertFalse(found["like_speed"])
        self.assertIsNone(found["wheels"][0]["changed"])
        self.assertIn("speeds differ", found["wheels"][0]["why"])
        self.assertFalse(found["cams"][0]["changed"])


if __name__ == "__main__":
    harness.main()
