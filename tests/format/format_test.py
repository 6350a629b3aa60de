#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""format_test.py - docs/format.md is enough: what reader.py, written from it alone, finds in a file
is what the program finds. Files of a ring, a snapshot, an import, damaged ones, and every file of
the fuzzers' corpora."""
import pathlib
import re
import struct
import subprocess
import sys

import numpy

import reader

TESTS = pathlib.Path(__file__).resolve().parents[1]
sys.path.insert(0, str(TESTS / "system"))
import harness  # noqa: E402  (stands in another folder)

HOOKUP = """[vehicle]
name = parcel van, bay 2
[board logger]
driver = sim
pace = free
rate = 2000
inputs = 3
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
nominal = 5
[channel crank-return]
board = logger
input = 2
role = return
[channel bent]
board = slow
input = 0
role = other
points = 0:640, 5:2000, 13:3000
[storage]
ring = 1 MiB
"""


def scans_of(files, stream):
    """Every scan of a stream in order, [scan][input]; and (epoch, number) of each."""
    found = {}
    for file in files:
        for payload in file.of(reader.BLOCK):
            number, epoch, first, _, _ = reader.place(payload)
            if number == stream and file.decodes((reader.BLOCK, 0, 0, payload)):
                found[epoch, first] = numpy.array(reader.block(payload), dtype=numpy.int64).T
    keys = sorted(found)
    where = [(epoch, first + i) for epoch, first in keys for i in range(len(found[epoch, first]))]
    return numpy.concatenate([found[key] for key in keys]), where


def times_of(files, stream, where):
    """Elapsed time of each scan: by the last CLOCK before it, or on the line to the next one."""
    clocks = {}
    for file in files:
        for payload in file.of(reader.CLOCK):
            number, epoch, first, _, _ = reader.place(payload)
            if number == stream:
                elapsed, _, rate = struct.unpack_from("<qqd", payload, 40)
                clocks.setdefault(epoch, {})[first] = (elapsed, rate)
    times = []
    for epoch, scan in where:
        of_epoch = clocks[epoch]
        at = max(first for first in of_epoch if first <= scan)
        later = [first for first in of_epoch if first > scan]
        elapsed, rate = of_epoch[at]
        step = (of_epoch[min(later)][0] - elapsed) / (min(later) - at) if later else 1e9 / rate
        times.append(elapsed + (scan - at) * step)
    return numpy.array(times)


def load(path):
    return reader.File(pathlib.Path(path).read_bytes())


def read_csv(path):
    lines = path.read_text().splitlines()
    count = int(re.search(r"(\d+) lines stand before the rows", lines[0]).group(1))
    head = lines[:count - 1]
    zero = next(float(m.group(1)) for line in head
                if (m := re.search(r"([0-9.]+) s after the recorder's start", line)))
    rows = [line.split(",") for line in lines[count:] if not line.startswith("#")]
    losses = [int(m.group(1)) for line in lines[count:]
              if (m := re.match(r"# loss: .* s, (\d+) rows", line))]
    return lines[count - 1].split(",")[1:], numpy.array(rows, dtype=float), zero, losses


class Format(harness.Case):
    def ring(self):
        """The segments of a free-running simulation that has come to its end, and its snapshots."""
        daemon = self.daemon(HOOKUP).start().ready()
        harness.until(lambda: "at its end" in (daemon.status()["why"] or ""), "the end")
        harness.until(lambda: daemon.status()["snapshots"]["saving"] is False, "all saved")
        daemon.stop()
        return (sorted((daemon.state / "ring").glob("*.ring")),
                sorted((daemon.state / "snapshots").glob("*.crank")))

    def compare(self, paths, boards, name):
        """convert --counts of the files, beside the reader's own."""
        out = self.folder / f"{name}.csv"
        harness.run("convert", *paths, "--counts", "--out", out)
        files = [load(path) for path in paths]
        head = next(head for file in files for head in file.heads()[::-1])
        for stream, board in enumerate(boards):
            each = out if len(boards) == 1 else self.folder / f"{name}-{board}.csv"
            channels, rows, zero, _ = read_csv(each)
            inputs = [given["channel"] for given in head["streams"][stream]["inputs"]]
            samples, where = scans_of(files, stream)
            self.assertEqual(len(rows), len(samples))
            for column, channel in enumerate(channels):
                numpy.testing.assert_array_equal(rows[:, 1 + column],
                                                 samples[:, inputs.index(channel)])
            # The page's digits: a thousandth of a period; the line's own rounding beside it.
            apart = times_of(files, stream, where) - (rows[:, 0] + zero) * 1e9
            self.assertLess(numpy.abs(apart).max(), 2e6 / head["streams"][stream]["rate_hz"] + 2000)

    def test_ring_and_snapshots(self):
        segments, snapshots = self.ring()
        self.assertGreater(len(segments), 1)
        self.compare(segments, ["logger", "slow"], "ring")
        for number, path in enumerate(snapshots):
            self.compare([path], ["logger", "slow"], f"snapshot{number}")
        summed = sum(self.check_hints(path) for path in segments)
        self.assertGreater(summed, 5)
        self.check_catalogue(segments)
        for path in [*segments, *snapshots]:
            self.assertEqual(load(path).state, harness.run("verify", path).returncode)
        self.check_damaged(max(segments, key=lambda path: path.stat().st_size))

    def check_hints(self, path):
        """Each summary's row beside the samples themselves; each entry of the index."""
        file = load(path)
        for payload in file.of(reader.SUMMARY):
            stream, epoch, first, _, _ = reader.place(payload)
            covered, span, columns = reader.summary(payload)
            samples, where = scans_of([file], stream)
            scans = numpy.array([scan for of, scan in where if of == epoch])
            samples = samples[[of == epoch for of, _ in where]]
            self.assertIn(first, scans)
            self.assertIn(first + covered - 1, scans)
            for row in range(len(columns[0])):
                begin = max(first, (first // span + row) * span)
                end = min(first + covered, (first // span + row + 1) * span)
                own = samples[(scans >= begin) & (scans < end)]
                for given in range(own.shape[1]):
                    self.assertEqual(columns[3 * given][row], own[:, given].min())
                    self.assertEqual(columns[3 * given + 1][row], own[:, given].max())
                    nearest = (2 * int(own[:, given].sum()) + len(own)) // (2 * len(own))
                    self.assertEqual(columns[3 * given + 2][row], nearest)
        entries = [entry for payload in file.of(reader.INDEX) for entry in reader.index(payload)]
        kinds = {offset: chunk[0] for offset, chunk in zip(file.offsets, file.chunks)}
        for offset, _, _, span, _, _ in entries:
            self.assertEqual(kinds[offset], reader.SUMMARY if span else reader.BLOCK)
        self.assertEqual(sum(1 for entry in entries if entry[3]), len(file.of(reader.SUMMARY)))
        return len(file.of(reader.SUMMARY))

    def check_catalogue(self, segments):
        records = reader.catalogue((segments[0].parent / "catalogue").read_bytes())
        for path in segments:
            record = records[int(path.stem)]
            self.assertEqual(record[1], path.stat().st_size)
            if record[4]:
                file = load(path)
                self.assertEqual(file.chunks[file.offsets.index(record[4])][0], reader.INDEX)

    def check_damaged(self, path):
        """Cut, zeroed, with garbage, with a byte another: the same kind of file, the same rows."""
        whole = path.read_bytes()
        half = len(whole) // 2
        flipped = bytearray(whole)
        flipped[half] ^= 1
        for name, data in [("cut", whole[:half]), ("zeros", whole[:half] + bytes(5000)),
                           ("garbage", whole + b"garbage at the end"), ("flipped", flipped),
                           ("gone", whole[:200] + whole[half:]), ("empty", b"")]:
            damaged = self.folder / f"{name}.crank"
            damaged.write_bytes(data)
            self.assertEqual(load(damaged).state,
                             harness.run("verify", damaged, status=None).returncode, name)
            if name in ("cut", "zeros", "garbage", "flipped"):
                self.compare([damaged], ["logger", "slow"], name)

    def test_an_import(self):
        (self.folder / "van.hookup").write_text(
            "[vehicle]\nname = parcel van, bay 2\n[channel battery]\nrole = battery\n")
        rows = "".join(f"{i / 1000:.3f},{12 + i % 17 / 100 - (i > 500) * 2.5:.2f}\n"
                       for i in range(1000))
        (self.folder / "in.csv").write_text("time_s,battery\n" + rows)
        path = self.folder / "imported.crank"
        harness.run("import", self.folder / "in.csv", "--hookup", self.folder / "van.hookup",
                    "--out", path)
        self.assertEqual(load(path).state, harness.run("verify", path).returncode)
        samples, _ = scans_of([load(path)], 0)
        scale = load(path).heads()[0]["streams"][0]["inputs"][0]["scale"]
        (count, other), (value, further) = scale["counts"], scale["values"]
        values = value + (samples[:, 0] - count) * (further - value) / (other - count)
        given = numpy.array([float(row.split(",")[1]) for row in rows.split()])
        numpy.testing.assert_allclose(values, given, atol=1e-9)

    def test_every_file_of_the_corpora(self):
        """Whatever the fuzzers found worth keeping is the same kind of file for both."""
        compared = 0
        for folder in ("container", "playback", "chunk"):
            for path in sorted((TESTS / "fuzz" / "corpus" / folder).iterdir()):
                ours = subprocess.run([str(harness.BIN / "cranktrap"), "verify", str(path)],
                                      capture_output=True, text=True, check=False, timeout=60)
                with self.subTest(file=f"{folder}/{path.name}"):
                    self.assertEqual(load(path).state, ours.returncode, ours.stdout + ours.stderr)
                compared += 1
        self.assertGreater(compared, 50)


if __name__ == "__main__":
    harness.main()
