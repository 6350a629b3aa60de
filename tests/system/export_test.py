#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""export_test.py - `convert` to NPY, WAV, HDF5 and COMTRADE, read back by numpy, scipy, soundfile,
h5py and a reader written here from the standard's layout: the same counts as in the CSV, to the last bit.
(That the CSV has what the board sent is convert_test.py's matter.)"""
import csv
import json
import math
import struct
import zlib

import numpy
import scipy.io.wavfile

import harness

try:
    import soundfile
except ImportError:
    soundfile = None
try:
    import h5py
except ImportError:
    h5py = None

# The record of IEEE C37.111: number 5, time 667, six analogues, status bits 5 and 6.
WORKED = bytes.fromhex("050000009b02000008fdfa0448003d0074ff0afe3000")


def comtrade_records(content, analogues, width, words):
    """Rows of number, time, analogues: little-endian, status in words of 16 bits."""
    layout = struct.Struct("<II" + f"{analogues}{'h' if width == 16 else 'i'}" + f"{words}H")
    assert len(content) % layout.size == 0
    return list(layout.iter_unpack(content))


def read_comtrade(cfg):
    """The .cfg's lines and the .dat's rows."""
    content = cfg.read_bytes().decode()
    assert content.endswith("\r\n") and "\n" not in content.replace("\r\n", "")
    lines = list(csv.reader(content.split("\r\n")[:-1]))
    total, analogues, digitals = lines[1]
    count = int(analogues[:-1])
    assert (int(total), digitals) == (count, "0D")
    channels = lines[2:2 + count]
    rest = lines[2 + count:]
    width = {"BINARY": 16, "BINARY32": 32}[rest[5][0]]
    rows = comtrade_records(cfg.with_suffix(".dat").read_bytes(), count, width, 0)
    return {"station": lines[0], "channels": channels, "rates": rest[1:3], "first": rest[3],
            "unit_us": float(rest[6][0]), "rows": rows}


class Export(harness.Case):
    """A record of 1/0.0009765 scans a second, whose true rate is no whole number, with a hole."""

    def setUp(self):
        super().setUp()
        (self.folder / "in.hookup").write_text(
            "[vehicle]\nname = parcel van, bay 2\n[channel battery]\nrole = battery\n"
            "[channel Geber-Öl]\nrole = signal\n")
        self.missing = 37
        rows = [f"{i * 0.0009765:.7f},{12 + math.sin(i / 30):.4f},{(i // 7) % 2 * 5}\n"
                for i in range(3000) if not 1000 <= i < 1000 + self.missing]
        (self.folder / "in.csv").write_text("time_s,battery,Geber-Öl\n" + "".join(rows))
        self.record = self.folder / "record.crank"
        harness.run("import", self.folder / "in.csv", "--hookup", self.folder / "in.hookup",
                    "--out", self.record)
        self.rows = len(rows)

    def convert(self, name, *options):
        path = self.folder / name
        harness.run("convert", self.record, "--out", path, *options)
        self.assertEqual(list(self.folder.glob("*.part")), [])
        return path

    def counts(self):
        """Times and counts by way of the CSV."""
        path = self.convert("truth.csv", "--counts")
        skip = int(path.read_text().split()[2])
        table = numpy.loadtxt(path, delimiter=",", skiprows=skip, encoding="utf-8")
        return table[:, 0], table[:, 1:].astype(numpy.int64)

    def test_npy(self):
        times, counts = self.counts()
        array = numpy.load(self.convert("a.npy", "--counts"), allow_pickle=False)
        self.assertEqual(array.dtype.names, ("time_s", "battery", "Geber-Öl"))
        self.assertEqual(len(array), self.rows)
        for i, name in enumerate(array.dtype.names[1:]):
            self.assertTrue((array[name] == counts[:, i]).all())
        self.assertLess(abs(array["time_s"] - times).max(), 1e-6)
        values = numpy.load(self.convert("b.npy"), allow_pickle=False)
        about = json.loads((self.folder / "b.json").read_text())
        self.assertEqual((about["rows"], about["values"]), (self.rows, "units"))
        self.assertEqual([loss["rows"] for loss in about["losses"]], [self.missing])
        for i, name in enumerate(values.dtype.names[1:]):
            scale = about["columns"][i]["scale"]
            step = (scale["values"][-1] - scale["values"][0]) / (scale["counts"][-1] -
                                                                 scale["counts"][0])
            wanted = scale["values"][0] + step * (counts[:, i] - scale["counts"][0])
            self.assertLess(abs(values[name] - wanted).max(), abs(step) * 1e-6)
            back = numpy.rint((values[name] - scale["values"][0]) / step + scale["counts"][0])
            self.assertTrue((back == counts[:, i]).all())

    def test_wav(self):
        _, counts = self.counts()
        filled = numpy.full((self.rows + self.missing, 2), -2**31, dtype=numpy.int64)
        filled[:1000] = counts[:1000]
        filled[1000 + self.missing:] = counts[1000:]
        rate, sound = scipy.io.wavfile.read(self.convert("a.wav", "--counts"))
        self.assertTrue((sound == filled).all())
        about = json.loads((self.folder / "a.json").read_text())
        self.assertEqual(about["rows_filled"], self.missing)
        self.assertAlmostEqual(about["rate_hz"], 1 / 0.0009765, places=3)
        self.assertEqual(rate, round(about["claimed_hz"]))
        # The rule for a rate that is no whole number: row n is at first_s + n / rate_hz.
        array = numpy.load(self.convert("t.npy", "--counts"), allow_pickle=False)
        there = numpy.flatnonzero(sound[:, 0] != -2**31)
        at_s = about["first_s"] + there / about["rate_hz"]
        self.assertLess(abs(at_s - array["time_s"]).max(), 1e-6)
        if soundfile:
            other, _ = soundfile.read(self.folder / "a.wav", dtype="int32")
            self.assertTrue((other == sound).all())
        _, sound = scipy.io.wavfile.read(self.convert("b.wav"))
        values = numpy.load(self.convert("c.npy"), allow_pickle=False)
        there = ~numpy.isnan(sound[:, 0])
        self.assertEqual(there.sum(), self.rows)
        for i, name in enumerate(values.dtype.names[1:]):
            self.assertTrue((sound[there, i] == values[name]).all())
        if soundfile:
            other, _ = soundfile.read(self.folder / "b.wav", dtype="float64")
            self.assertTrue(numpy.array_equal(other, sound, equal_nan=True))

    def test_comtrade(self):
        self.assertEqual(comtrade_records(WORKED, 6, 16, 1),
                         [(5, 667, -760, 1274, 72, 61, -140, -502, 48)])
        times, counts = self.counts()
        read = read_comtrade(self.convert("a.cfg"))
        self.assertEqual(read["station"][0], "parcel van  bay 2")
        self.assertEqual([channel[1] for channel in read["channels"]], ["battery", "Geber-Öl"])
        rows = numpy.array(read["rows"], dtype=numpy.int64)
        self.assertEqual(read["rates"], [["0"], ["0", str(self.rows)]])
        self.assertEqual(list(rows[:, 0]), list(range(1, self.rows + 1)))
        self.assertTrue((rows[:, 2:] == counts).all())
        apart = rows[:, 1] * read["unit_us"] * 1e-6 - (times - times[0])
        self.assertLess(abs(apart).max(), 1.1e-6)
        values = numpy.load(self.convert("d.npy"), allow_pickle=False)
        for i, channel in enumerate(read["channels"]):
            a, b = float(channel[5]), float(channel[6])
            self.assertEqual(channel[4], "V")
            self.assertLess(abs(a * counts[:, i] + b - values[channel[1]]).max(), abs(a) * 1e-6)

    @harness.unittest.skipIf(h5py is None, "python3-h5py is not installed")
    def test_hdf5(self):
        _, counts = self.counts()
        for options, kind, unit in ((["--counts"], "<i4", "counts"), ([], "<f8", "V")):
            path = self.convert(f"{unit}.h5", *options)
            array = numpy.load(self.convert(f"{unit}.npy", *options), allow_pickle=False)
            with h5py.File(path, "r") as file:
                self.assertEqual(set(file), {"time_s", "battery", "Geber-Öl"})
                self.assertEqual(json.loads(file.attrs["about"])["rows"], self.rows)
                for name in array.dtype.names:
                    self.assertTrue((file[name][:] == array[name]).all())
                self.assertEqual(file["battery"].dtype, numpy.dtype(kind))
                self.assertEqual(file["battery"].attrs["unit"], unit)
                if options:
                    self.assertTrue((file["Geber-Öl"][:] == counts[:, 1]).all())

    def as_pause(self):
        """The same record of a board that says that its hole is dead time: docs/format.md's layout."""
        data, at, out = self.record.read_bytes(), 0, b""
        while at < len(data):
            length, = struct.unpack_from("<I", data, at + 8)
            head, payload = data[at:at + 24], data[at + 32:at + 32 + length]
            at += 32 + length
            if head[5] == 3:
                payload = payload[:48] + b"dead time"
                head = head[:8] + struct.pack("<I", len(payload)) + head[12:]
            head += struct.pack("<I", zlib.crc32(payload))
            out += head + struct.pack("<I", zlib.crc32(head)) + payload
        self.record = self.folder / "burst.crank"
        self.record.write_bytes(out)

    def test_pauses_are_no_losses(self):
        self.as_pause()
        path = self.folder / "burst.csv"
        told = json.loads(harness.run("convert", self.record, "--out", path, "--json").stdout)
        file, = told["files"]
        self.assertEqual((file["losses"], file["missing"], file["pauses"]), (0, 0, 1))
        self.assertAlmostEqual(file["pauses_s"], (self.missing + 1) * 0.0009765, delta=0.001)
        lines = path.read_text().splitlines()
        self.assertIn("# losses: none", lines)
        self.assertTrue(any(line.startswith("# pauses between the board's bursts: 1, ")
                            for line in lines))
        self.assertRegex(lines[-1], rf"^# pause: .* s, {self.missing} rows, dead time$")
        for name, second in (("burst.npy", "burst.json"), ("b2.wav", "b2.json")):
            self.convert(name)
            about = json.loads((self.folder / second).read_text())
            self.assertEqual((about["losses"], about["pauses"]["count"]), ([], 1))

    def test_nothing_is_overwritten(self):
        for name, second in (("a.npy", "a.json"), ("a.wav", "a.json"), ("a.cfg", "a.dat")):
            (self.folder / second).write_text("mine")
            harness.run("convert", self.record, "--out", self.folder / name, status=3)
            self.assertEqual((self.folder / second).read_text(), "mine")
            self.assertFalse((self.folder / name).exists())
            (self.folder / second).unlink()


if __name__ == "__main__":
    harness.main()
