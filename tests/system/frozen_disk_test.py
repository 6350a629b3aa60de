#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""frozen_disk_test.py - the disk under the real daemon stands still: the kernel freezes its file
system, and who writes or syncs waits. 8 inputs at 10,000 scans/s on a pseudo-terminal: 10 s lose
nothing; a minute loses what the memory ring cannot hold, and says how much and where. The command
`cranktrap-bench stall` does the same with a source of 60 MB/s."""
import json
import pathlib
import struct
import subprocess
import sys
import time

import harness

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "format"))
import reader  # noqa: E402  (stands in another folder)

LONG_S = 60


class Chunks(reader.File):
    """The chunks of a segment, with no block decoded."""

    def judge(self):
        return None


class FrozenDisk(harness.Case):
    def setUp(self):
        super().setUp()
        if not harness.own_mounts():
            self.skipTest("a disk that can be stopped needs the right to mount")
        image, self.disk = self.folder / "image", self.folder / "disk"
        self.disk.mkdir()
        made = subprocess.run(
            f"truncate -s 400M {image} && mkfs.ext4 -q {image} && mount -o loop {image} {self.disk}",
            shell=True, capture_output=True, check=False)
        if made.returncode:
            self.skipTest("a disk that can be stopped needs a loop device and mkfs.ext4")
        self.addCleanup(subprocess.run, ["umount", "-l", str(self.disk)], check=False)
        self.frozen = False
        self.addCleanup(self.thaw)

    def freeze(self):
        subprocess.run(["fsfreeze", "-f", str(self.disk)], check=True)
        self.frozen = True

    def thaw(self):
        if self.frozen:
            subprocess.run(["fsfreeze", "-u", str(self.disk)], check=True)
        self.frozen = False

    def recording(self, rate, storage):
        """The daemon, its state on that disk, a second after its first scans."""
        board = self.fakeboard("--sim", f"rate={rate},inputs=8,hours=1,attempts=1", "--bits", "16")
        hookup = harness.van(f"driver = packet-serial\ndevice = {board.link}", "36-1",
                             f"ring = 64 MiB\nkeep-free = 1 MiB\n{storage}", "divider = 5.7")
        daemon = self.daemon(hookup, state=self.disk / "state").start().ready()
        daemon.streaming()
        time.sleep(1)
        return daemon

    def stand_still(self, daemon, seconds):
        """The statuses of that time: it answers while its disk does not."""
        statuses = []
        self.freeze()
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            statuses.append(daemon.status())
            time.sleep(1)
        self.thaw()
        self.assertTrue(all(statuses))
        return statuses

    def written(self, daemon):
        """Flushed by a snapshot of now; the status behind it."""
        daemon.json("keep", "the disk goes on", "--before", "1s", "--after", "0.5s")
        return daemon.status()

    def on_disk(self):
        """Scans in blocks, scans in losses, and that one follows the other."""
        scans, lost, due = 0, 0, None
        for path in sorted((self.disk / "state" / "ring").glob("*.ring")):
            for kind, _, _, payload in Chunks(path.read_bytes()).chunks:
                if kind not in (reader.BLOCK, reader.LOSS):
                    continue
                first = reader.place(payload)[2]
                self.assertEqual(first, first if due is None else due)
                count = struct.unpack_from("<I", payload, 16)[0] if kind == reader.BLOCK else \
                    struct.unpack_from("<Q", payload, 40)[0]
                due = first + count
                scans, lost = scans + count * (kind == reader.BLOCK), lost + count * (
                    kind == reader.LOSS)
        return scans, lost

    def test_ten_seconds_lose_nothing(self):
        daemon = self.recording(10000, "")
        before = daemon.board("logger")["scans"]
        statuses = self.stand_still(daemon, 10)
        # It really stood: nothing reached it, while the board went on.
        self.assertEqual(statuses[-1]["ring"]["bytes_written"], statuses[2]["ring"]["bytes_written"])
        status = self.written(daemon)
        board = status["boards"][0]
        self.assertGreater(board["scans"], before + 90000)
        self.assertEqual((board["scans_lost"], board["losses_of_unknown_size"]), (0, 0),
                         json.dumps(board))
        self.assertEqual(status["memory_ring"]["scans_lost"], 0)
        self.assertEqual(status["ring"]["scans_dropped"], 0)
        self.assertEqual(daemon.json("report", "--from", "-30s")["losses"], [])
        daemon.stop()
        scans, lost = self.on_disk()
        self.assertGreaterEqual(scans, board["scans"])
        self.assertEqual(lost, 0)

    def test_a_minute_is_lost_exactly_and_reported(self):
        rate = 25000  # a minute of it is more than the smallest memory ring holds
        daemon = self.recording(rate, "memory = 1 MiB")
        began = time.monotonic()
        self.stand_still(daemon, LONG_S)
        status = self.written(daemon)
        counted = status["memory_ring"]["scans_lost"]
        self.assertEqual(status["boards"][0]["scans_lost"], 0)
        self.assertTrue(0 < counted < LONG_S * rate)
        stretch = "-200s"
        report = daemon.json("report", "--from", stretch)
        age_s = time.monotonic() - began  # of the stop, at the report's end
        losses = report["losses"]
        self.assertEqual([(loss["scans"], loss["reason"]) for loss in losses],
                         [(counted, "disk too slow")])
        # In its place: from about when the disk stopped (what was in hand then is older by a block
        # and a sync) for as long as so many scans take.
        begin, end = losses[0]["from_s"], losses[0]["to_s"]
        self.assertAlmostEqual((end - begin) * rate / counted, 1, delta=0.01)
        self.assertAlmostEqual(report["duration_s"] - begin, age_s, delta=8)
        self.assertIn("disk too slow", daemon.ask("report", "--from", stretch).stdout)
        daemon.stop()
        scans, lost = self.on_disk()
        self.assertEqual(lost, counted)
        self.assertGreaterEqual(scans + lost, status["boards"][0]["scans"])


if __name__ == "__main__":
    sys.exit(harness.main())
