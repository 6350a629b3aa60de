# SPDX-License-Identifier: Apache-2.0
"""modbus_test.py - the daemon with a Modbus module that does everything wrong
(tests/boards/asked_board.py): losses with their reason, sentences for the owner, gone and back."""
import pathlib
import subprocess
import sys

import harness
from harness import Case, until

SLAVE = pathlib.Path(__file__).resolve().parents[1] / "boards" / "asked_board.py"

HOOKUP = """[vehicle]
name = parcel van, bay 2
[board module]
board = modbus-8x10v
device = {link}
[channel battery]
board = module
input = 0
role = battery
divider = 2
[channel crank-feed]
board = module
input = 1
role = feed
nominal = 5
[channel crank-return]
board = module
input = 2
role = return
"""


class Modbus(Case):
    def setUp(self):
        super().setUp()
        self.link = self.folder / "module"
        self.slave = subprocess.Popen([sys.executable, "-B", str(SLAVE), str(self.link)],
                                      stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.addCleanup(self.end_slave)
        self.slave.stdout.readline()

    def end_slave(self):
        self.slave.stdin.close()
        self.slave.wait(harness.PATIENCE_S)
        self.slave.stdout.close()

    def tell(self, order):
        self.slave.stdin.write(order + "\n")
        self.slave.stdin.flush()
        return int(self.slave.stdout.readline())

    def lost(self, reason):
        return self.running.board("module")["losses"].get(reason, 0)

    def until_lost(self, reason, count):
        until(lambda: self.lost(reason) >= count, f"{count} scans lost: {reason}")

    def until_says(self, text):
        until(lambda: text in (self.running.board("module")["why"] or ""), f"\"{text}\" in status")

    def test_what_goes_wrong_is_counted_and_said(self):
        self.running = self.daemon(HOOKUP.format(link=self.link)).start().ready()
        self.running.streaming("module")
        for kind, reason in (("bad-crc", "damaged"), ("exception", "refused"),
                             ("silent", "no answer")):
            with self.subTest(kind):
                before = self.lost(reason)
                self.tell(f"fail {kind} 4")
                self.until_lost(reason, before + 4)
        self.assertEqual(self.running.board("module")["losses_of_unknown_size"], 0)
        self.tell("fail exception 100000")
        self.until_says("exception 2 (Illegal data address): look at function, first-register")
        self.tell("fail silent 100000")
        self.until_says("does not answer within 0.05 s: check its power")
        self.tell("fail silent 0")
        self.running.streaming("module")
        self.tell("vanish")
        self.until_says("has gone")
        self.tell("return")
        self.running.streaming("module")
        self.assertEqual(self.running.board("module")["reconnects"], 1)
        self.running.stop()

    def test_a_rate_beyond_the_line_is_refused(self):
        hookup = HOOKUP.format(link=self.link).replace("[channel battery]", "baud = 9600\n[channel battery]")
        path = self.folder / "slow.hookup"
        path.write_text(hookup)
        done = harness.run("hookup", "--check", path, status=None)
        self.assertNotEqual(done.returncode, 0)
        self.assertIn("at most 26.6 scans a second", done.stdout + done.stderr)


if __name__ == "__main__":
    harness.main()
