# SPDX-License-Identifier: Apache-2.0
"""harness.py - starts the real daemon, the real command and the fake board for the tests here."""
import ctypes
import json
import os
import pathlib
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import unittest

BIN = pathlib.Path(os.environ.get("CRANKTRAP_BIN", "build/bin")).resolve()
DATA = os.environ.get("CRANKTRAP_DATA", "")
PATIENCE_S = 60  # how long a condition may take on a busy machine; never a measure of speed


VAN = """[vehicle]
name = parcel van, bay 2
cylinders = 4
ground = battery-negative
[board logger]
{board}
[channel battery]
board = logger
input = 0
role = battery
{battery}
[channel crank-feed]
board = logger
input = 1
role = feed
nominal = 5
measured-at = sensor
[channel crank-return]
board = logger
input = 2
role = return
[channel crank-signal]
board = logger
input = 3
role = signal
[sensor crank]
kind = hall
feed = crank-feed
return = crank-return
signal = crank-signal
pull-up = 5
wheel = {wheel}
[storage]
{storage}
"""


def van(board, wheel, storage, battery=""):
    """A hookup text: one crank sensor and the battery; the lines of its sections as given."""
    return VAN.format(board=board, wheel=wheel, storage=storage, battery=battery)


def run(*arguments, status=0, patience_s=PATIENCE_S):
    """Runs the command `cranktrap` to its end; checks its exit status."""
    done = subprocess.run([str(BIN / "cranktrap"), *map(str, arguments)], capture_output=True,
                          text=True, timeout=patience_s, check=False)
    if status is not None and done.returncode != status:
        raise AssertionError(f"cranktrap {' '.join(map(str, arguments))}: exit status "
                             f"{done.returncode}, not {status}\n{done.stdout}\n{done.stderr}")
    return done


CLONE_NEWNS, MS_REC, MS_PRIVATE = 0x20000, 0x4000, 0x40000


def own_mounts():
    """Gives this process mounts of its own; False where it may not."""
    libc = ctypes.CDLL(None, use_errno=True)
    return (libc.unshare(CLONE_NEWNS) == 0 and
            libc.mount(b"none", b"/", None, MS_REC | MS_PRIVATE, None) == 0)


def until(condition, what, patience_s=PATIENCE_S):
    """Polls until condition() is true; its value."""
    deadline = time.monotonic() + patience_s
    while True:
        value = condition()
        if value:
            return value
        if time.monotonic() > deadline:
            raise AssertionError(f"waited {patience_s} s in vain for: {what}")
        time.sleep(0.05)


class Daemon:
    """cranktrapd on a hookup text and a state folder."""

    def __init__(self, folder, hookup, state=None, arguments=()):
        self.folder = pathlib.Path(folder)
        self.hookup = self.folder / "vehicle.hookup"
        self.hookup.write_text(hookup)
        self.state = pathlib.Path(state) if state else self.folder / "state"
        self.log = self.folder / "daemon.log"
        self.arguments = list(arguments)
        self.process = None

    def start(self):
        with open(self.log, "ab") as log:
            self.process = subprocess.Popen(
                [str(BIN / "cranktrapd"), "--hookup", str(self.hookup), "--state", str(self.state),
                 *self.arguments], stdout=log, stderr=log, stdin=subprocess.DEVNULL)
        return self

    def ready(self):
        """Waits until it answers."""
        until(lambda: self.status() or self.process.poll() is not None, "the daemon's answer")
        if self.process.poll() is not None:
            raise AssertionError(f"the daemon ended:\n{self.log_text()}")
        return self

    def status(self):
        done = run("status", "--json", "--state", self.state, status=None)
        return json.loads(done.stdout) if done.returncode == 0 else None

    def board(self, name):
        status = self.status()
        return next(b for b in status["boards"] if b["board"] == name) if status else None

    def streaming(self, name="logger"):
        def is_streaming():
            board = self.board(name)
            return board and board["state"] == "streaming" and board["scans"] > 0 and board
        return until(is_streaming, f"board {name} streaming:\n{self.log_text()}")

    def ask(self, *arguments, status=0):
        return run(*arguments, "--state", self.state, status=status)

    def json(self, *arguments):
        return json.loads(self.ask(*arguments, "--json").stdout)

    def log_text(self):
        return self.log.read_text(errors="replace") if self.log.exists() else ""

    def stop(self, status=0):
        """SIGTERM, and it must end well (and, in a sanitizer build, without a report)."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(PATIENCE_S)
        if status is not None and code != status:
            raise AssertionError(f"the daemon's exit status is {code}:\n{self.log_text()}")

    def kill(self):
        self.process.kill()
        self.process.wait(PATIENCE_S)

    def cleanup(self):
        if self.process and self.process.poll() is None:
            self.kill()


class FakeBoard:
    """tests/fakeboard on a pseudo-terminal behind a link; commands go to its standard input."""

    def __init__(self, folder, arguments, name="board"):
        self.link = pathlib.Path(folder) / name
        self.log = pathlib.Path(folder) / f"{name}.log"
        with open(self.log, "wb") as log:
            self.process = subprocess.Popen(
                [str(BIN / "fakeboard"), "--link", str(self.link), *map(str, arguments)],
                stdin=subprocess.PIPE, stdout=log, stderr=log)
        until(lambda: self.link.exists() or self.process.poll() is not None, "the fake board's link")

    def tell(self, command):
        self.process.stdin.write((command + "\n").encode())
        self.process.stdin.flush()

    def cleanup(self):
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(PATIENCE_S)
        self.process.stdin.close()


class Case(unittest.TestCase):
    """A test with a folder of its own that is removed afterwards."""

    def setUp(self):
        self.folder = pathlib.Path(tempfile.mkdtemp(prefix="cranktrap-"))
        self.addCleanup(shutil.rmtree, self.folder, ignore_errors=True)

    def daemon(self, hookup, **more):
        daemon = Daemon(self.folder, hookup, **more)
        self.addCleanup(daemon.cleanup)
        return daemon

    def fakeboard(self, *arguments, name="board"):
        board = FakeBoard(self.folder, arguments, name)
        self.addCleanup(board.cleanup)
        return board


def main():
    """Exit status 77 (skipped) only when every test of the file said that it was not run."""
    program = unittest.main(exit=False, verbosity=2)
    result = program.result
    for _, why in result.skipped:
        print(f"NOT RUN: {pathlib.Path(sys.argv[0]).stem}: {why}")
    if not result.wasSuccessful():
        sys.exit(1)
    sys.exit(77 if result.testsRun and len(result.skipped) == result.testsRun else 0)
