#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""ready_test.py - `cranktrap ready` with a daemon on the simulated van, which turns its own key:
off, on, one crank. What the van does is told by docs/sim.md."""
import json
import math

import harness

def van(*options, rate=2000, pace=2):
    lines = ["driver = sim", f"rate = {rate}", "inputs = 4", f"pace = {pace}", "hours = 0", *options]
    return harness.van("\n".join(lines), "36-1", "after = 2 s", battery="divider = 5.7")


class Ready(harness.Case):
    def watch(self, *options, **more):
        daemon = self.daemon(van(*options, **more)).start().ready()
        self.addCleanup(daemon.stop)
        daemon.streaming()
        return daemon

    def ready(self, daemon, *arguments, wait="30s"):
        done = daemon.ask("ready", "--json", "--wait", wait, *arguments)
        answer = json.loads(done.stdout)
        self.assertEqual(answer["schema"], "cranktrap.ready/1")
        return answer, {lead["channel"]: lead for lead in answer["leads"]}, done.stderr

    def test_fit_and_a_new_night(self):
        daemon = self.watch(rate=5000)
        answer, leads, said = self.ready(daemon, "--hours", "10")
        self.assertEqual((answer["fit"], answer["reasons"], answer["unproven"]), ("yes", [], []))
        self.assertEqual({lead["result"] for lead in leads.values()}, {"pass"})
        for word in ("carbon monoxide", "no sparks", "Key OFF", "Key ON", "ONE test crank"):
            self.assertIn(word, said)
        self.assertLess(said.index("Before you begin"), said.index("Key OFF"))
        # docs/sim.md, inputs, "typical"
        self.assertAlmostEqual(leads["battery"]["key_off"]["average"], 12.5, delta=0.3)
        self.assertLess(leads["battery"]["cranking"]["lowest"], 9)
        self.assertAlmostEqual(leads["crank-feed"]["key_on"]["average"], 5.0, delta=0.1)
        self.assertAlmostEqual(leads["crank-feed"]["key_off"]["average"], 0.0, delta=0.05)
        self.assertLess(leads["crank-return"]["cranking"]["highest"], 0.1)
        signal = leads["crank-signal"]["cranking"]
        self.assertAlmostEqual(signal["low"], 0.14, delta=0.03)
        self.assertAlmostEqual(signal["high"], 4.98, delta=0.03)
        # 35 teeth and so 70 edges a turn; five samples of a tooth's half place need 1200 scans a
        # second at 200 rpm (docs/sim.md), faster once it fires.
        rpm = leads["crank-signal"]["edges_per_s"] * 60 / 70
        self.assertGreater(rpm, 150)
        needed = leads["crank-signal"]["rate_needed_hz"]
        self.assertAlmostEqual(needed, 1200 * rpm / 200, delta=0.15 * needed)
        # docs/sim.md: 12 bits, 0.7 counts rms, beside a rounding of 1 / sqrt(12); peak to peak as
        # 6.6 sigma. No input of it shows its neighbour.
        bits = 12 - math.log2(6.6 * math.hypot(0.7, 12 ** -0.5))
        for name, volts in (("crank-feed", 0.0), ("crank-return", 0.0)):
            self.assertAlmostEqual(leads[name]["input"]["noise_free_bits"], bits, delta=0.2)
            self.assertAlmostEqual(leads[name]["input"]["mean"], volts, delta=0.02)
        self.assertEqual(leads["crank-return"]["input"]["input"], 2)
        self.assertEqual(answer["room"]["hours"], 10)
        self.assertGreater(answer["room"]["ring_hours"], 10)
        # The test crank belongs to no night; the note outlives the daemon.
        daemon.stop()
        night = daemon.json("night")
        self.assertEqual((night["attempts"], night["since_s"]), ([], answer["since_s"]))
        self.assertIn("Since the last `ready`", daemon.ask("night").stdout)
        everything = daemon.json("night", "--since", "1970-01-01")["attempts"]
        self.assertIn(answer["snapshot"], [attempt["number"] for attempt in everything])

    def test_a_rate_too_low_for_the_signal(self):
        answer, leads, _ = self.ready(self.watch(rate=500))
        self.assertEqual((answer["fit"], leads["crank-signal"]["result"]), ("no", "look at this"))
        self.assertTrue(any("scans/s" in note for note in leads["crank-signal"]["notes"]))
        self.assertIn("crank-signal: look at this", answer["reasons"])

    def test_a_fault_in_the_test_crank(self):
        answer, leads, _ = self.ready(self.watch("fault = feed-collapse", "fault-attempt = 1"))
        self.assertEqual((answer["fit"], answer["verdict"]["fault"]), ("no", "feed-collapse"))
        self.assertEqual(leads["crank-feed"]["result"], "look at this")
        self.assertIn(f"cranktrap report {answer['snapshot']}", " ".join(answer["reasons"]))

    def test_looking_with_a_crank_that_somebody_made(self):
        """The page's way: the test crank is a snapshot, what is read live is the moment."""
        daemon = self.watch(rate=5000, pace=10)
        harness.until(lambda: (daemon.state / "snapshots" / "0001.json").exists(), "an attempt")
        harness.until(lambda: daemon.status()["phase"] == "key-off", "the key off again")
        without, _, _ = self.ready(daemon, "--look", wait="0s")
        self.assertEqual((without["fit"], without["snapshot"]), ("not-proven", None))
        answer, leads, _ = self.ready(daemon, "--look", "--crank", "1", wait="0s")
        self.assertEqual((answer["fit"], answer["snapshot"]), ("yes", 1))
        self.assertIsNone(answer["since_s"])
        self.assertLess(leads["battery"]["cranking"]["lowest"], 9)
        done = daemon.ask("ready", "--look", "--crank", "7", status=3)
        self.assertIn("snapshot 7", done.stderr)
        daemon.ask("ready", "--crank", "1", status=2)

    def test_nothing_blocks_without_a_key(self):
        """Nobody turns it in no time at all: it says so and comes to an end."""
        daemon = self.watch()
        done = daemon.ask("ready", "--wait", "0s")
        self.assertLessEqual(max(map(len, done.stdout.splitlines())), 80)
        for words in ("Not seen in that time", "No cranking was seen", "NOT PROVEN",
                      "no test crank was seen", "3 W x 12 h = 3 Ah"):
            self.assertIn(words, " ".join(done.stdout.split()))
        answer, leads, said = self.ready(daemon, "--no-crank", wait="0s")
        self.assertEqual(answer["fit"], "not-proven")
        self.assertEqual(leads["crank-signal"]["result"], "not seen")
        self.assertIsNone(answer["verdict"])
        self.assertNotIn("ONE test crank", said)

    def test_no_room(self):
        """A ring of 2 MB cannot hold ten thousand hours."""
        daemon = self.daemon(van(pace=20).replace("after = 2 s", "after = 2 s\nring = 2 MB"))
        daemon.start().ready()
        self.addCleanup(daemon.stop)
        daemon.streaming()
        answer, _, _ = self.ready(daemon, "--no-crank", "--hours", "10000", wait="0s")
        self.assertEqual(answer["fit"], "no")
        self.assertIn("raise `ring`", " ".join(answer["reasons"]))


class Calls(harness.Case):
    def test_wrong_calls(self):
        for arguments, word in ((["--hours", "all"], "all"), (["--hours", "-1"], "-1"),
                                (["--wait", "soon"], "soon"), (["now"], "now")):
            done = harness.run("ready", *arguments, "--state", self.folder, status=2)
            self.assertIn(word, done.stderr)
            self.assertEqual(done.stdout, "")
        done = harness.run("ready", "--after", "--state", self.folder, status=2)
        self.assertIn("not there yet", done.stderr)

    def test_without_a_daemon(self):
        done = harness.run("ready", "--json", "--state", self.folder, status=3)
        self.assertIn("no daemon", done.stderr)
        self.assertEqual(done.stdout, "")

    def test_a_note_that_cannot_be_read(self):
        (self.folder / "snapshots").mkdir()
        (self.folder / "night.json").write_text('{"since_s":')
        done = harness.run("night", "--json", "--state", self.folder)
        self.assertIn("night.json cannot be read", done.stderr)
        self.assertIsNone(json.loads(done.stdout)["since_s"])


if __name__ == "__main__":
    harness.main()
