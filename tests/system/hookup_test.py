#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""hookup_test.py - `cranktrap hookup` as a person meets it: on a terminal of its own, with a board
on another, from the first question to a file that the daemon runs on; and left in every way."""
import fcntl
import os
import pty
import re
import select
import subprocess
import termios
import time

import harness


class Terminal:
    """The command on a pseudo-terminal; what it shows is kept."""

    def __init__(self, *arguments, cwd):
        self.master, slave = pty.openpty()
        self.process = subprocess.Popen(
            [str(harness.BIN / "cranktrap"), "hookup", *map(str, arguments)], stdin=slave,
            stdout=slave, stderr=slave, cwd=cwd, start_new_session=True,
            # so that Ctrl-C on the terminal is a signal to the command
            preexec_fn=lambda: fcntl.ioctl(slave, termios.TIOCSCTTY, 0))
        os.close(slave)
        self.shown = ""
        self.seen = 0

    def read(self, wait_s):
        if select.select([self.master], [], [], wait_s)[0]:
            try:
                self.shown += os.read(self.master, 65536).decode(errors="replace")
            except OSError:  # nobody has the other end any more
                return False
        return True

    def expect(self, text):
        """Waits until `text` (a regular expression) is shown behind what was expected before."""
        deadline = time.monotonic() + harness.PATIENCE_S
        while True:
            found = re.compile(text).search(self.shown, self.seen)
            if found:
                self.seen = found.end()
                return found
            if time.monotonic() > deadline or not self.read(1):
                raise AssertionError(f"waited in vain for {text!r} in:\n{self.shown}")

    def answer(self, question, line):
        self.expect(question)
        os.write(self.master, (line + "\n").encode())

    def status(self):
        while self.read(1) and self.process.poll() is None:
            pass
        return self.process.wait(harness.PATIENCE_S)

    def cleanup(self):
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        os.close(self.master)


class Conversation(harness.Case):
    def terminal(self, *arguments):
        terminal = Terminal(*arguments, cwd=self.folder)
        self.addCleanup(terminal.cleanup)
        return terminal

    def board(self):
        """12.4 V behind 5.7, a 5 V feed, a return, a signal of 40 Hz, of a vehicle that stands."""
        csv = self.folder / "volts.csv"
        with open(csv, "w", encoding="ascii") as file:
            for i in range(60000):
                signal_v = 4.98 if i // 25 % 2 else 0.04
                file.write(f"{i / 2000:.4f},{12.4 / 5.7:.4f},5.01,0.02,{signal_v}\n")
        return self.fakeboard("--csv", csv, "--at-end", "hold")

    def choose_board(self, terminal, board):
        terminal.answer("Which board.*: ", str(board.link))
        terminal.answer("speaks with it .*: ", "")
        terminal.answer("Options .*: ", "")
        terminal.expect("It sends: .*4 inputs, (19|20)[0-9][0-9] scans/s")
        terminal.answer("Is that the board .*: ", "y")

    def answer_vehicle(self, terminal):
        terminal.answer("name, as a report.*: ", "parcel van, bay 2")
        terminal.answer("complaint.*: ", "sulks at dawn")
        terminal.answer("Cylinders .*: ", "many")
        terminal.answer("Cylinders .*: ", "")
        terminal.answer("Volts of its system.*: ", "")
        terminal.answer("ground lead.*: ", "bat")
        terminal.answer("How many of its inputs.*: ", "")

    def answer_leads(self, terminal):
        self.assertAlmostEqual(float(terminal.expect(r"now ([0-9.]+) V at the input")[1]),
                               12.4 / 5.7, delta=0.01)
        terminal.answer(r"It is on: .*\[battery\]: ", "")
        terminal.answer("Divider: .*: ", "12.40 V")  # as a meter shows it
        terminal.expect("= 12.4.. V at the lead")
        terminal.answer(r"It is on: .*\[feed\]: ", "?")
        terminal.expect("the three wires of a sensor")
        terminal.answer(r"It is on: .*\[feed\]: ", "")
        terminal.answer(r"Of which sensor.*\[crank\]: ", "a b")
        terminal.answer(r"Of which sensor.*\[crank\]: ", "")
        for question in ("Its kind", "the shaft", "The probes", "Its wheel", "pulled up",
                         r"Divider \(1", "nominal"):
            terminal.answer(question + ".*: ", "")
        terminal.answer(r"It is on: .*\[return\]: ", "")
        terminal.answer(r"Of which sensor.*\[crank\]: ", "")
        terminal.answer(r"Divider \(1.*: ", "")
        edges = terminal.expect(r"swing 4\.9\d+, (\d+) edges/s")
        self.assertTrue(70 <= int(edges[1]) <= 90, edges[0])  # 40 pulses have 80
        terminal.answer(r"It is on: .*\[signal\]: ", "other")

    def test_from_the_board_to_a_file_that_runs(self):
        terminal = self.terminal()
        self.choose_board(terminal, self.board())
        self.answer_vehicle(terminal)
        self.answer_leads(terminal)
        terminal.answer(r"Divider \(1.*: ", "")
        terminal.answer("Into which file .*: ", "van.hookup")
        terminal.expect(r"NOT sound")  # a sensor without its signal: said as --check says it
        terminal.answer("An input's number.*: ", "3")
        terminal.answer(r"It is on: .*\[signal\]: ", "")
        terminal.answer(r"Of which sensor.*\[crank\]: ", "")
        terminal.answer(r"Divider \(1.*: ", "")
        terminal.expect("It is sound")
        terminal.answer("Write it .*: ", "")
        terminal.expect("van.hookup is written")
        self.assertEqual(terminal.status(), 0)
        written = self.folder / "van.hookup"
        self.assertIn("is sound", harness.run("hookup", "--check", written).stdout)
        self.assertAlmostEqual(float(re.search("divider = (.*)", written.read_text())[1]), 5.7,
                               delta=0.03)
        self.assertEqual(list(self.folder.glob("*.part")), [])
        daemon = self.daemon(written.read_text()).start().ready()
        daemon.streaming()
        now = harness.until(lambda: [c for c in daemon.json("now")["channels"]
                                     if c["channel"] == "battery" and c["average"]], "a reading")
        self.assertAlmostEqual(now[0]["average"], 12.4, delta=0.05)
        daemon.stop()

    def test_ctrl_c_leaves_nothing_behind(self):
        terminal = self.terminal("--out", "van.hookup")
        self.choose_board(terminal, self.board())
        self.answer_vehicle(terminal)
        self.answer_leads(terminal)
        terminal.answer(r"Divider \(1.*: ", "")
        terminal.expect("An input's number.*: ")
        self.assertTrue((self.folder / "van.hookup.part").exists())
        os.write(terminal.master, b"\x03")
        self.assertEqual(terminal.status(), 3)
        self.assertIn("nothing was written", terminal.shown)
        self.assertEqual(list(self.folder.glob("van.*")), [])

    def test_ctrl_c_at_the_first_question(self):
        terminal = self.terminal()
        terminal.expect("Which board.*: ")
        os.write(terminal.master, b"\x03")
        self.assertEqual(terminal.status(), 3)

    def test_a_file_that_is_there_stays(self):
        (self.folder / "van.hookup").write_text("mine")
        terminal = self.terminal("--out", "van.hookup")
        terminal.answer("Which board.*: ", "sim")
        terminal.answer("Options .*: ", "inputs")  # no NAME = VALUE: they are listed
        terminal.expect("how many of the inputs|inputs \\(6\\)")
        terminal.answer("Options .*: ", "inputs = 1")
        terminal.answer("Options .*: ", "")
        terminal.expect("1 inputs?,")
        terminal.answer("Is that the board .*: ", "")
        self.answer_vehicle(terminal)
        terminal.answer("It is on: .*: ", "battery")
        terminal.answer("Divider: .*: ", "5,7")
        terminal.answer("Divider: .*: ", "5.7")
        terminal.expect("van.hookup is there already")
        terminal.answer("Overwrite it .*no.*: ", "")
        self.assertEqual(terminal.status(), 3)
        self.assertEqual((self.folder / "van.hookup").read_text(), "mine")
        self.assertEqual(list(self.folder.glob("*.part")), [])

    def test_a_board_that_is_not_there(self):
        terminal = self.terminal()
        terminal.answer("Which board.*: ", str(self.folder / "none"))
        terminal.answer("speaks with it .*: ", "text-s")
        terminal.answer("rate.*: ", "100")
        terminal.answer("Options .*: ", "bits = many")
        terminal.answer("Options .*: ", "")
        terminal.expect("bits")  # what the checker says of the option
        terminal.answer("Which board.*: ", str(self.folder / "none"))
        terminal.answer("speaks with it .*: ", "")
        terminal.answer("Options .*: ", "")
        terminal.expect("Nothing to use came. Board: waiting: .*none")
        terminal.expect("Which board.*: ")

    def test_a_board_that_sends_counts(self):
        """Lines of bare counts: a meter's reading makes them volts, a clamp's zero its offset."""
        csv = self.folder / "volts.csv"
        csv.write_text("0,2.2,2.5\n1000,2.2,2.5\n", encoding="ascii")
        board = self.fakeboard("--csv", csv, "--rate", 200, "--format", "text", "--volts-per-count",
                               0.0005)
        terminal = self.terminal("--out", "van.hookup")
        terminal.answer("Which board.*: ", str(board.link))
        terminal.answer("speaks with it .*: ", "text-serial")
        terminal.answer("rate.*: ", "200")
        terminal.answer("Options .*: ", "bits = 16")
        terminal.answer("Options .*: ", "columns = counter,0,1")
        terminal.answer("Options .*: ", "")
        terminal.expect("2 inputs, .*it does not say how many volts")
        terminal.answer("Is that the board .*: ", "")
        self.answer_vehicle(terminal)
        terminal.expect("now 44[0-9][0-9] counts|now 4399 counts")  # 2.2 V / 0.5 mV
        terminal.answer("It is on: .*: ", "battery")
        terminal.answer("Volts a count.*: ", "12.54 V")
        terminal.answer("It is on: .*: ", "starter-current")
        terminal.answer("Amperes a count.*: ", "0.05")
        terminal.answer("Starter at rest.*: ", "")
        terminal.expect("It is sound")
        terminal.answer("Write it .*: ", "")
        self.assertEqual(terminal.status(), 0)
        written = (self.folder / "van.hookup").read_text()
        self.assertAlmostEqual(float(re.search("volts-per-count = (.*)", written)[1]), 0.0005 * 5.7,
                               delta=2e-6)
        zero, end = re.search("points = 0:(.*), 50:(.*)", written).groups()
        self.assertAlmostEqual(float(zero), 5000, delta=3)
        self.assertAlmostEqual(float(end) - float(zero), 1000, delta=0.1)

    def test_the_input_ends(self):
        """At any question, on a pipe too."""
        for answers in ("", "sim\n", "sim\n\n", "sim\n\n\nvan\n\n\n\n\n1\nbattery\n5.7\n"):
            done = subprocess.run([str(harness.BIN / "cranktrap"), "hookup", "--out",
                                   str(self.folder / "van.hookup")], input=answers, text=True,
                                  capture_output=True, timeout=harness.PATIENCE_S, check=False)
            self.assertEqual(done.returncode, 3, done.stdout)
            self.assertIn("nothing was written: the input has ended", done.stderr)
            self.assertLess(len(done.stdout), 10000)
            self.assertEqual(list(self.folder.glob("van.*")), [])


if __name__ == "__main__":
    harness.main()
