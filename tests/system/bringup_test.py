#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""bringup_test.py - `cranktrap boards --try` and `--record` on pseudo-terminals: what is shown is
what was played, and what is recorded is every byte of it, as the conformance kit wants it.

What is played are the logs of tests/boards, whose scans were written by something else."""
import json
import os
import pathlib
import pty
import random
import shutil
import subprocess
import threading
import tty

import numpy

import harness

LOGS = pathlib.Path(__file__).resolve().parents[1] / "boards"
KIT = pathlib.Path(harness.BIN).parent / "tests" / "boards" / "driver_kit"


class Player:
    """Sends its bytes once, as soon as it is asked for them by `request`."""

    def __init__(self, stream, request):
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        self.device = os.ttyname(self.slave)
        self.thread = threading.Thread(target=self.play, args=(stream, request), daemon=True)
        self.thread.start()

    def play(self, stream, request):
        if os.read(self.master, 1) == request:
            for at in range(0, len(stream), 37):
                os.write(self.master, stream[at:at + 37])

    def close(self):
        os.close(self.slave)
        self.thread.join(5)
        os.close(self.master)


def log(name):
    return bytes.fromhex((LOGS / f"{name}.bytes").read_text())


def scans(name):
    lines = (LOGS / f"{name}.scans").read_text().split("\n")
    return numpy.array([line.split(",") for line in lines if "," in line], dtype=float)


class Bringup(harness.Case):
    def play(self, name, request=b"S"):
        player = Player(log(name), request)
        self.addCleanup(player.close)
        return player.device

    def test_shows_and_records_what_was_played(self):
        base = f"{self.folder}/mine"
        answer = harness.run("boards", "--try", "packets-8x16", "--device",
                             self.play("packets-8x16"), "--for", "1s", "--record", base, "--json").stdout
        found = json.loads(answer)
        expected = scans("packets-8x16")
        self.assertEqual(found["bytes"], len(log("packets-8x16")))
        self.assertEqual(found["scans"], len(expected))
        self.assertEqual(found["scans_lost"], 20)  # one packet damaged, one missing
        for number, level in enumerate(found["inputs"]):
            volts = expected[:, number] * 20 / 65535 + 10 / 65535  # -10 V at -32768, 10 V at 32767
            for key, value in (("lowest", volts.min()), ("mean", volts.mean()),
                               ("highest", volts.max()), ("noise", volts.std(ddof=1))):
                self.assertAlmostEqual(level[key], value, places=6, msg=key)
        recorded = bytes.fromhex(pathlib.Path(base + ".bytes").read_text())
        self.assertEqual(recorded, log("packets-8x16"))
        self.assertEqual(pathlib.Path(base + ".scans").read_text(),
                         (LOGS / "packets-8x16.scans").read_text())
        kit = subprocess.run([KIT, base + ".board", base + ".bytes", base + ".scans"],
                             capture_output=True, text=True, timeout=100)
        self.assertEqual(kit.returncode, 0, kit.stdout)

    def test_overwrites_nothing(self):
        pathlib.Path(f"{self.folder}/mine.bytes").write_text("kept")
        harness.run("boards", "--try", "packets-8x16", "--device", self.play("packets-8x16"),
                    "--for", "1s", "--record", f"{self.folder}/mine", status=3)
        self.assertEqual(pathlib.Path(f"{self.folder}/mine.bytes").read_text(), "kept")

    def test_names_the_packet_that_no_file_fits(self):
        chance = random.Random(1)
        stream = b"".join(b"\xaa\x55" + bytes([number]) + chance.randbytes(20) for number in range(100))
        player = Player(stream, b"S")
        self.addCleanup(player.close)
        text = harness.run("boards", "--try", "packets-8x16", "--device", player.device,
                           "--for", "1s").stdout
        for part in ("and 0 scans", "come back every 23 bytes", "byte 0 is always aa",
                     "byte 1 is always 55", "byte 2 goes up by one"):
            self.assertIn(part, text)

    def test_names_packets_whose_scans_are_more_alike_than_they(self):
        def scan(number):
            values = [(4 * number + i) & 4095 for i in range(4)]
            return sum(value << 12 * (3 - i) for i, value in enumerate(values)).to_bytes(6, "big")

        stream = b"".join(b"\xfe\xed" + (84 * n).to_bytes(4, "little") +
                          b"".join(scan(84 * n + i) for i in range(84)) + b"\0\0" for n in range(12))
        player = Player(stream, b"S")
        self.addCleanup(player.close)
        text = harness.run("boards", "--try", "packets-8x16", "--device", player.device,
                           "--for", "1s").stdout
        for part in ("come back every 512 bytes", "byte 2 is always fe", "byte 3 is always ed"):
            self.assertIn(part, text)

    def test_says_what_to_do_when_nothing_comes(self):
        player = Player(b"", b"S")
        self.addCleanup(player.close)
        text = harness.run("boards", "--try", "packets-8x16", "--device", player.device,
                           "--for", "0.5s").stdout
        self.assertIn("Nothing came.", text)

    def test_finds_the_board_files_that_were_installed_with_it(self):
        program = self.folder / "bin" / "cranktrap"
        boards = self.folder / "share" / "cranktrap" / "boards"
        program.parent.mkdir()
        boards.mkdir(parents=True)
        shutil.copy(harness.BIN / "cranktrap", program)
        shipped = (harness.pathlib.Path(__file__).parents[2] / "drivers" / "boards" /
                   "packets-8x16.board").read_text()
        for name in ("only-installed", "packets-8x16"):
            (boards / f"{name}.board").write_text(shipped)
        answer = subprocess.run([program, "boards", "--json"], capture_output=True, text=True,
                                timeout=60, check=True).stdout
        paths = {file["board_file"]: file["path"] for file in json.loads(answer)["board_files"]}
        for name in ("only-installed", "packets-8x16"):
            self.assertEqual(paths[name], str(boards / f"{name}.board"))

    def test_refuses_what_it_cannot_use(self):
        for arguments in (["--try", "no-such"], ["--try", "packets-8x16", "--device", "/dev/no"],
                          ["--try", "packets-8x16", "--device", "/dev/null", "baud=x"]):
            harness.run("boards", *arguments, status=3)
        for arguments in (["--record", "x"], ["--try", "packets-8x16", "--for", "never"]):
            harness.run("boards", *arguments, status=2)


if __name__ == "__main__":
    harness.main()
