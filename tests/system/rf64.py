#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""rf64.py - a sound of more than 4 GiB, written and read back: `sh tests/run rf64`. It needs 5 GB.

A recording of two pieces, days apart, is a small file; `convert` fills what is missing between them,
so that a row's number tells its time, and the sound is large. Its head is read here as EBU Tech 3306
lays it out, its rows by libsndfile.
"""
import json
import math
import os
import struct

import numpy
import soundfile

import harness

PERIOD = 0.001
ROWS = 5000  # of each piece
BETWEEN = 270_000_000  # rows of 16 bytes: 4.3 GB, beyond the 32 bits of a plain head


def samples(i):
    return numpy.array([12 + round(math.sin(i / 30), 4), (i // 7) % 2 * 5.0])


class Large(harness.Case):
    def setUp(self):
        super().setUp()
        (self.folder / "in.hookup").write_text(
            "[vehicle]\nname = parcel van, bay 2\n[channel battery]\nrole = battery\n"
            "[channel signal]\nrole = signal\n")
        numbers = [*range(ROWS), *range(ROWS + BETWEEN, 2 * ROWS + BETWEEN)]
        with (self.folder / "in.csv").open("w") as lines:
            lines.write("time_s,battery,signal\n")
            lines.writelines("%.3f,%.4f,%d\n" % (i * PERIOD, *samples(i)) for i in numbers)
        self.record = self.folder / "days.crank"
        harness.run("import", self.folder / "in.csv", "--hookup", self.folder / "in.hookup",
                    "--out", self.record)
        self.rows = 2 * ROWS + BETWEEN

    def check_head(self, path):
        """RF64, whose true lengths stand in `ds64`; the old fields are all ones."""
        with path.open("rb") as sound:
            head = sound.read(1024)
        self.assertEqual((head[:4], head[8:12]), (b"RF64", b"WAVE"))
        self.assertEqual(struct.unpack_from("<I", head, 4)[0], 0xFFFFFFFF)
        self.assertEqual(head[12:16], b"ds64")
        riff, data, frames = struct.unpack_from("<QQQ", head, 20)
        self.assertEqual(riff, path.stat().st_size - 8)
        self.assertEqual(data, self.rows * 16)
        self.assertEqual(frames, self.rows)
        at = head.index(b"data")
        self.assertEqual(struct.unpack_from("<I", head, at + 4)[0], 0xFFFFFFFF)

    def test_beyond_four_gibibytes(self):
        path = self.folder / "days.wav"
        harness.run("convert", self.record, "--out", path, patience_s=1200)
        self.assertGreater(path.stat().st_size, 2**32)
        self.check_head(path)
        about = json.loads((self.folder / "days.json").read_text())
        self.assertEqual((about["rows"], about["rows_filled"]), (self.rows, BETWEEN))
        with soundfile.SoundFile(path) as sound:
            self.assertEqual((sound.frames, sound.channels, sound.format), (self.rows, 2, "RF64"))
            first = sound.read(ROWS)
            self.assertTrue(numpy.isnan(sound.read(100_000)).all())
            sound.seek(ROWS + BETWEEN - 1)
            self.assertTrue(numpy.isnan(sound.read(1)).all())
            last = sound.read(ROWS)
            self.assertEqual(len(sound.read(1)), 0)
        # To the last bit what another format has of the same rows.
        harness.run("convert", self.record, "--out", self.folder / "rows.npy")
        array = numpy.load(self.folder / "rows.npy")
        for i, name in enumerate(("battery", "signal")):
            self.assertTrue((numpy.concatenate([first[:, i], last[:, i]]) == array[name]).all())
        expected = numpy.array([samples(i) for i in range(ROWS)])
        self.assertLess(abs(first - expected).max(), 0.01)  # a count of the import's scale
        print(f"{path.stat().st_size / 2**30:.2f} GiB, {sound.format}, {self.rows} rows")
        os.unlink(path)


if __name__ == "__main__":
    harness.main()
