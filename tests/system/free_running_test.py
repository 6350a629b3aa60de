#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""free_running_test.py - a board that knows no command and sends all the time, listened to or not,
in packets of its own kind: the daemon with a board file alone joins it in the middle of a packet,
keeps every scan, and tells what is missing to the scan.

Each scan carries its number, so the record is checked against what was sent."""
import os
import pathlib
import pty
import random
import threading
import time
import tty

import harness
from harness import until

SCANS = 6  # of a packet
RATE = 2000

BOARD_FILE = f"""; 7e 1e | counter of packets, 16 bits | sum of these four | six scans of four packed values
[board]
summary = packets of six scans of four packed 10-bit values, the last input first
driver = layout-serial
rate = {RATE}
[packet]
header = 7e 1e
counter-at = 2
counter-bits = 16
values-at = 5
scans = {SCANS}
bits = 10
packing = bits
order = big
columns = 3, 2, 1, 0
[inputs]
range = 0..5 V
"""

HOOKUP = """[vehicle]
name = parcel van, bay 2
[board logger]
board = {board}
device = {device}
""" + "".join(f"[channel c{n}]\nboard = logger\ninput = {n}\nrole = other\n" for n in range(4))


def packet(number):
    """There is no check of the values: a packet is believed when the next one stands behind it.
    Input 0: the lower 10 bits of a scan's number; 1: the next 10; 2: 1023 - input 0; 3: 700."""
    head = bytes([0x7e, 0x1e, number >> 8 & 255, number & 255])
    out = head + bytes([sum(head) & 255])
    for scan in range(number * SCANS, (number + 1) * SCANS):
        low = scan & 1023
        bits = 700 << 30 | (1023 - low) << 20 | (scan >> 10 & 1023) << 10 | low
        out += bits.to_bytes(5, "big")
    return out


class Board:
    """Sends from the beginning on, at its rate; what nobody takes is lost, as on a wire."""

    def __init__(self):
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        os.set_blocking(self.master, False)
        self.device = os.ttyname(self.slave)
        self.lock = threading.Lock()
        self.number = 0
        self.silent = False
        self.ended = threading.Event()
        self.thread = threading.Thread(target=self.play, daemon=True)
        self.thread.start()

    def put(self, data):
        try:
            os.write(self.master, data)
        except BlockingIOError:
            pass

    def play(self):
        begin = time.monotonic()
        sent = 0
        while not self.ended.wait(0.004):
            due = int((time.monotonic() - begin) * RATE / SCANS)
            with self.lock:
                for _ in range(due - sent):
                    if not self.silent:
                        self.put(packet(self.number & 0xffff))
                    self.number += 1
            sent = due

    def say(self, data):
        """Between two packets."""
        with self.lock:
            self.put(data)

    def skip(self, packets):
        with self.lock:
            self.number += packets

    def half_a_packet(self):
        with self.lock:
            self.put(packet(self.number)[:17])
            self.number += 1

    def close(self):
        self.ended.set()
        self.thread.join(5)
        os.close(self.slave)
        os.close(self.master)


class FreeRunning(harness.Case):
    def listen(self, silence):
        self.board = Board()
        self.addCleanup(self.board.close)
        path = self.folder / "odd.board"
        path.write_text(BOARD_FILE.replace("[packet]", f"silence = {silence}\n[packet]"))
        time.sleep(0.3)  # what it sent so far fills the line's buffer, and is stale
        self.running = self.daemon(HOOKUP.format(board=path, device=self.board.device))
        self.running.start().ready().streaming()

    def told(self, key):
        return self.running.board("logger")[key]

    def until_scans(self, more):
        enough = self.told("scans") + more
        until(lambda: self.told("scans") >= enough, f"{more} scans more")

    def rows_and_losses(self):
        """Numbers of the scans in the record, and (rows or None, reason) of its losses."""
        self.running.stop()
        out = self.folder / "record.csv"
        ring = sorted(pathlib.Path(self.running.state).glob("ring/*.ring"))
        harness.run("convert", *ring, "--counts", "--out", out)
        numbers, losses = [], []
        for line in out.read_text().splitlines():
            if line.startswith("# loss: "):
                _, rows, reason = line.split(", ", 2)
                rows = rows.split()
                losses.append((None if rows[1] == "unknown" else int(rows[0]), reason))
            elif line[0].isdigit() or line[0] == "-":
                counts = [int(text) for text in line.split(",")[1:]]
                self.assertEqual(counts[2:], [1023 - counts[0], 700])
                numbers.append(counts[1] << 10 | counts[0])
        return numbers, losses

    def test_is_joined_in_the_middle_and_nothing_is_lost(self):
        self.listen("30 s")
        self.until_scans(2 * RATE)
        self.assertEqual((self.told("scans_lost"), self.told("losses_of_unknown_size")), (0, 0))
        numbers, losses = self.rows_and_losses()
        self.assertEqual(losses, [])
        self.assertEqual(numbers, list(range(numbers[0], numbers[0] + len(numbers))))

    def test_tells_what_is_missing_to_the_scan(self):
        self.listen("30 s")
        self.until_scans(100)
        self.board.say(packet(self.board.number - 40))  # stale: neither new nor missing
        self.until_scans(100)
        self.assertEqual(self.told("scans_lost"), 0)
        self.board.skip(7)
        until(lambda: self.told("scans_lost") == 7 * SCANS, "the packets that it left out")
        self.board.half_a_packet()
        until(lambda: self.told("scans_lost") == 8 * SCANS, "the packet of which half came")
        self.board.say(random.Random(1).randbytes(23))
        until(lambda: self.told("scans_lost") == 9 * SCANS, "the packet before noise: is it whole?")
        self.until_scans(100)
        numbers, losses = self.rows_and_losses()
        self.assertEqual(sum(rows for rows, _ in losses), 9 * SCANS)
        steps = [b - a - 1 for a, b in zip(numbers, numbers[1:]) if b != a + 1]
        self.assertEqual(steps, [7 * SCANS, SCANS, SCANS])

    def test_that_fell_silent_is_one_loss(self):
        self.listen("1 s")
        self.until_scans(100)
        self.board.silent = True
        until(lambda: self.told("state") != "streaming", "the silence to be noticed")
        self.board.silent = False
        self.running.streaming()
        self.until_scans(100)
        numbers, losses = self.rows_and_losses()
        self.assertEqual([rows for rows, _ in losses], [None])
        self.assertEqual(sum(b != a + 1 for a, b in zip(numbers, numbers[1:])), 1)


if __name__ == "__main__":
    harness.main()
