#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""convert_test.py - `cranktrap convert`: what comes out is what the board sent, read by numpy; what
`import` makes of it is the same again; and nothing is overwritten or left half written."""
import json
import os
import pathlib
import re
import resource
import shutil
import signal
import subprocess
import tempfile

import numpy

import harness

# Two boards with rates of their own; scales of every kind.
HOOKUP = """[vehicle]
name = parcel van, bay 2
complaint = "cranks", sometimes will not start
[board logger]
driver = sim
pace = free
hours = 0.02
attempts = 1
[board slow]
driver = sim
pace = free
rate = 70
hours = 0.02
attempts = 1
[channel battery]
board = logger
input = 0
role = battery
divider = 5.7
[channel crank-feed]
board = logger
input = 1
role = feed
volts-per-count = 0.00123456789
[channel clamp]
board = logger
input = 5
role = starter-current
amps-per-volt = 200
offset = -1 A
[channel bent]
board = slow
input = 0
role = other
points = 0:640, 5:2000, 13:3000
"""


def read(path):
    """Head lines, the header's names, the rows as numpy reads them, foot lines."""
    lines = path.read_text().splitlines()
    before = int(re.match(r"# cranktrap: (\d+) lines stand before the rows", lines[0])[1])
    rows = numpy.loadtxt(path, delimiter=",", skiprows=before, ndmin=2)
    foot = [line for line in lines[before:] if line.startswith("#")]
    return lines[:before - 1], lines[before - 1].split(","), rows, foot


def column(table, name):
    return table[2][:, table[1].index(name)]


def straight(table, name):
    """Step and zero of a channel's scale, from its head line."""
    line = next(line for line in table[0] if line.startswith(f"# channel {name}:"))
    step, sign, zero = re.search(r"value = count x (\S+) ([+-]) ([0-9.e+-]+)", line).groups()
    return float(step), float(sign + zero)


class Night(harness.Case):
    @classmethod
    def setUpClass(cls):
        cls.shelf = pathlib.Path(tempfile.mkdtemp(prefix="cranktrap-"))
        cls.addClassCleanup(shutil.rmtree, cls.shelf, ignore_errors=True)
        (cls.shelf / "van.hookup").write_text(HOOKUP)
        subprocess.run([str(harness.BIN / "cranktrapd"), "--hookup", cls.shelf / "van.hookup",
                        "--state", cls.shelf / "state", "--until-end"], check=True,
                       capture_output=True, timeout=harness.PATIENCE_S)
        cls.ring = sorted((cls.shelf / "state" / "ring").glob("*.ring"))
        harness.run("convert", *cls.ring, "--out", cls.shelf / "night.csv")
        harness.run("convert", *cls.ring, "--counts", "--out", cls.shelf / "counts.csv")
        cls.values = {b: read(cls.shelf / f"night-{b}.csv") for b in ("logger", "slow")}
        cls.counts = {b: read(cls.shelf / f"counts-{b}.csv") for b in ("logger", "slow")}

    def test_head(self):
        head = "\n".join(self.values["logger"][0])
        for part in ("vehicle: parcel van, bay 2", "'cranks', sometimes", "board: logger",
                     "rate: 2000 scans/s", "second 0: 20", "role battery, unit V, input 0",
                     "role starter-current, unit A", "losses: none"):
            self.assertIn(part, head)
        self.assertNotIn('"', head)  # a spreadsheet would look for its partner

    def test_rows_are_the_board_s(self):
        """0.02 h at each rate, evenly; the battery that docs/sim.md gives it."""
        for board, rate in (("logger", 2000), ("slow", 70)):
            time_s = column(self.values[board], "time_s")
            self.assertEqual(len(time_s), round(0.02 * 3600 * rate))
            even = time_s[0] + numpy.arange(len(time_s)) / rate
            self.assertLess(numpy.abs(time_s - even).max(), 0.01 / rate)
        battery = column(self.values["logger"], "battery")
        self.assertTrue(12.2 < numpy.median(battery[:2000]) < 12.8)

    def test_values_lead_back_to_the_counts(self):
        """By the scale in the head, by numpy; and they are the scaled counts to a tenth of a step."""
        for name in ("battery", "crank-feed", "clamp"):
            step, zero = straight(self.values["logger"], name)
            values = column(self.values["logger"], name)
            counts = column(self.counts["logger"], name)
            numpy.testing.assert_array_equal(numpy.round((values - zero) / step), counts)
            self.assertLess(numpy.abs(values - (counts * step + zero)).max(), step / 10)
            self.assertGreater(len(set(counts)), 20)
        bent = numpy.interp(column(self.counts["slow"], "bent"), (640, 2000, 3000), (0, 5, 13))
        self.assertLess(numpy.abs(bent - column(self.values["slow"], "bent")).max(), 0.001)

    def test_exact_where_a_decimal_can_be(self):
        """1.6 mV x 5.7 and 1.6 mV x 200 A/V (docs/sim.md) are decimals: so is every value."""
        self.assertEqual(straight(self.values["logger"], "battery")[0], 0.00912)
        text = (self.shelf / "night-logger.csv").read_text().splitlines()[-1].split(",")
        self.assertEqual([len(field.partition(".")[2]) for field in text[1:]], [5, 4, 2])

    def test_import_gives_it_back(self):
        """Imported and converted again: the same values; whole numbers keep even their spelling."""
        hookup = re.sub(r"\[board (.|\n)*?(?=\[channel battery)", "", HOOKUP)
        hookup = re.sub(r"\[channel bent(.|\n)*", "", hookup)
        hookup = re.sub(r"(board|input|divider|volts-per-count|amps-per-volt|offset) = .*\n", "",
                        hookup)
        (self.folder / "import.hookup").write_text(hookup)
        for first in ("night-logger.csv", "counts-logger.csv"):
            crank, again = self.folder / "again.crank", self.folder / f"again-{first}"
            harness.run("import", self.shelf / first, "--hookup", self.folder / "import.hookup",
                        "--out", crank)
            harness.run("convert", crank, "--out", again)
            back, table = read(again), read(self.shelf / first)
            numpy.testing.assert_array_equal(back[2], table[2])
            self.assertEqual(back[1], table[1])
        rows = [line.partition(",")[2] for line in again.read_text().splitlines() if line[0] != "#"]
        known = [line.partition(",")[2] for line in (self.shelf / first).read_text().splitlines()
                 if line[0] != "#"]
        self.assertEqual(rows, known)

    def test_stretch_and_number(self):
        done = harness.run("convert", 1, "--state", self.shelf / "state", "--from", "10s", "--to",
                           "10.5s", "--out", self.folder / "part.csv", "--json")
        files = json.loads(done.stdout)["files"]
        self.assertEqual([f["board"] for f in files], ["logger", "slow"])
        time_s = column(read(self.folder / "part-logger.csv"), "time_s")
        self.assertTrue(10 <= time_s[0] < 10.0006 and 10.4994 < time_s[-1] <= 10.5005)
        self.assertEqual(files[0]["rows"], len(time_s))

    def test_nothing_is_overwritten(self):
        (self.folder / "x-slow.csv").write_text("mine")
        done = harness.run("convert", *self.ring, "--out", self.folder / "x.csv", status=3)
        self.assertIn("x-slow.csv: is there already", done.stderr)
        self.assertEqual([p.name for p in self.folder.iterdir()], ["x-slow.csv"])
        self.assertEqual((self.folder / "x-slow.csv").read_text(), "mine")

    def test_no_room(self):
        """A limit on the file's size stands for the disk: nothing stays of what did not fit."""
        def limit():
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (1 << 20, 1 << 20))
        done = subprocess.run([str(harness.BIN / "cranktrap"), "convert", *self.ring, "--out",
                               self.folder / "x.csv"], capture_output=True, text=True,
                              timeout=harness.PATIENCE_S, check=False, preexec_fn=limit)
        self.assertEqual(done.returncode, 3)
        self.assertIn(f"x-logger.csv: {os.strerror(27)}", done.stderr)  # EFBIG
        self.assertEqual(list(self.folder.iterdir()), [])

    def test_wrong_calls(self):
        crank = self.shelf / "state" / "snapshots" / "0001.crank"
        out = self.folder / "x.csv"
        for arguments, status, text in (
                ((crank,), 2, "--out"), (("--out", out), 2, "missing"),
                ((crank, "--out", self.folder / "x.ods"), 3, "known: .csv"),
                ((crank, "--out", out, "--from", "dawn"), 2, "dawn"),
                ((crank, "--out", out, "--from", "5s", "--to", "4s"), 2, "before"),
                ((crank, "--out", out, "--from", "9h"), 3, "no scan"),
                ((self.folder / "none.crank", "--out", out), 3, "none.crank"),
                ((99, "--state", self.shelf / "state", "--out", out), 3, "no snapshot 99"),
                ((self.shelf / "van.hookup", "--out", out), 3, "no file of cranktrap's"),
                ((crank, "--out", self.folder / "no" / "x.csv"), 3, "No such file")):
            self.assertIn(text, harness.run("convert", *arguments, status=status).stderr)
        self.assertEqual(list(self.folder.iterdir()), [])


class Losses(harness.Case):
    def test_rows_are_absent_and_listed(self):
        """The fake board drops packets and says how many scans were in them."""
        script = self.folder / "faults"
        script.write_text("2.0 drop 3\n3.0 drop 1\n")
        board = self.fakeboard("--sim", "rate=1000,attempts=1,hours=0.05", "--script", script)
        daemon = self.daemon(harness.van(f"driver = packet-serial\ndevice = {board.link}", "learn",
                                         "", "divider = 5.7")).start().ready()
        harness.until(lambda: (daemon.board("logger") or {}).get("scans", 0) > 4500, "4.5 s")
        lost = daemon.board("logger")["scans_lost"]
        self.assertGreater(lost, 0)
        daemon.stop()
        out = self.folder / "x.csv"
        done = harness.run("convert", *sorted((daemon.state / "ring").glob("*.ring")), "--out", out)
        self.assertIn("2 losses inside", done.stdout)
        head, _, rows, foot = read(out)
        self.assertIn("# losses: 2; their rows are absent", "\n".join(head))
        counted = [int(re.search(r", (\d+) rows, packet lost", line)[1]) for line in foot]
        self.assertEqual((len(counted), sum(counted)), (2, lost))
        breaks = numpy.round(numpy.diff(rows[:, 0]) * 1000) - 1  # rows missing, by their times
        self.assertEqual(list(breaks[breaks > 0]), counted)


if __name__ == "__main__":
    harness.main()
