#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""cli_test.py - every command of `cranktrap` on files, without a daemon: what it prints, what it
says of a wrong call or a wrong file, and with which exit status (0 done, 2 usage, 3 could not; 4 to
8 of verify)."""
import json
import math
import os
import pathlib
import re
import shutil
import struct
import subprocess
import tempfile
import zlib

import harness

RATE, SECONDS = 500, 16
CRANKS = (5.0, 9.0)  # the starter is engaged
COLLAPSE = (6.5, 8.5)  # the feed is down, and nothing pulls the signal down any more
COMMANDS = ("hookup", "boards", "ready", "status", "now", "keep", "list", "night", "report",
            "convert", "import", "verify")
HEADER = struct.Struct("<4sBBHIIQI")  # docs/format.md, before the header's own check sum


def hookup():
    """The van's hookup for a recording from elsewhere: boards and inputs are left out."""
    text = harness.van("", "2", "")
    text = re.sub(r"\[board logger\]\n+", "", text)
    return re.sub(r"(board|input) = .*\n", "", text)


def row(index):
    """One row of a start that fails because the crank sensor's feed goes."""
    at = index / RATE
    turns = CRANKS[0] <= at < CRANKS[1]
    down = COLLAPSE[0] <= at < COLLAPSE[1]
    battery = 12.5
    if turns:
        battery = 8.0 if at < CRANKS[0] + 0.1 else 10.2 + 0.2 * math.sin(40 * at)
    tooth = turns and not down and int((at - CRANKS[0]) * 14) % 2  # two teeth, 210 rpm
    noise = 0.002 * (index * 7 % 5 - 2)
    return (battery + noise, (0.4 if down else 5.0) + noise, 0.015 + noise,
            (0.1 if tooth else 4.95) + noise)


def csv_text():
    lines = ["time_s,battery,crank-feed,crank-return,crank-signal"]
    for index in range(RATE * SECONDS):
        lines.append(f"{index / RATE:.3f}," + ",".join(f"{value:.3f}" for value in row(index)))
    return "\n".join(lines) + "\n"


def chunks(whole):
    """Where each chunk of a sound file begins, and the fields of its header."""
    at = 0
    while at < len(whole):
        fields = HEADER.unpack_from(whole, at)
        yield at, fields
        at += 32 + fields[4]


def of_version(other, whole):
    """The same file in another version of the format, check sums right."""
    changed = bytearray(whole)
    for at, (magic, _, *rest) in chunks(whole):
        header = HEADER.pack(magic, other, *rest)
        changed[at:at + 32] = header + struct.pack("<I", zlib.crc32(header))
    return bytes(changed)


class Case(harness.Case):
    """Each test has the files of one recording, imported once, and a state folder with it."""

    @classmethod
    def setUpClass(cls):
        cls.shelf = pathlib.Path(tempfile.mkdtemp(prefix="cranktrap-"))
        cls.addClassCleanup(shutil.rmtree, cls.shelf, ignore_errors=True)
        cls.hookup, cls.csv = cls.shelf / "van.hookup", cls.shelf / "failed.csv"
        cls.hookup.write_text(hookup())
        cls.csv.write_text(csv_text())
        cls.crank = cls.shelf / "failed.crank"
        cls.imported = json.loads(harness.run("import", cls.csv, "--hookup", cls.hookup, "--out",
                                              cls.crank, "--json").stdout)

    def state(self):
        """A state folder with that record as its snapshot 1, reported on as the daemon does."""
        state = self.folder / "state"
        (state / "snapshots").mkdir(parents=True)
        shutil.copy(self.crank, state / "snapshots" / "0001.crank")
        harness.run("report", state / "snapshots" / "0001.crank", "--json", "--out",
                    state / "snapshots" / "0001.json")
        return state

    def answer(self, *arguments, status=0):
        """The JSON of a command; its schema must be its own."""
        done = harness.run(*arguments, "--json", status=status)
        answer = json.loads(done.stdout)
        self.assertEqual(answer["schema"], f"cranktrap.{arguments[0]}/1")
        return answer

    def could_not(self, *arguments, says):
        """Exit status 3, a reason on stderr, and nothing on stdout with --json."""
        for more in ([], ["--json"]):
            done = harness.run(*arguments, *more, status=3)
            for word in says:
                self.assertIn(str(word), done.stderr)
        self.assertEqual(done.stdout, "")


class Calls(Case):
    def test_help_names_every_command(self):
        text = harness.run("--help").stdout
        for command in COMMANDS:
            self.assertRegex(text, rf"(?m)^  {command} ")
            self.assertIn(f"usage: cranktrap {command} ", harness.run(command, "--help").stdout)
            self.assertIn(f"usage: cranktrap {command} ", harness.run("--help", command).stdout)
        self.assertRegex(harness.run("--version").stdout, r"^cranktrap \d+\.\d+\.\d+$")

    def test_usage_errors_name_what_is_wrong_and_how_it_goes(self):
        for arguments, word in (
                (["hookup", "--json"], "--check"), (["hookup", "--check"], "--check"),
                (["boards", "all"], "all"), (["status", "now"], "now"),
                (["now", "--fast"], "--fast"),
                (["keep", "a", "b"], "b"), (["keep", "--before", "soon"], "soon"),
                (["keep", "--after", "-3s"], "-3s"), (["list", "--colour"], "--colour"),
                (["list", "--hold"], "--hold"), (["list", "--good", "-1"], "-1"),
                (["list", "--delete", "all"], "all"), (["list", "--note", "1"], "missing"),
                (["list", "--reviewed", "1", "2"], "2"),
                (["report", "1", "2"], "2"), (["report", "--paint"], "--paint"),
                (["convert"], "missing"), (["convert", "x"], "--out"), (["import"], "missing"),
                (["import", "x.csv"], "--hookup"),
                (["import", "x.csv", "--hookup", "x.hookup"], "--out"), (["verify"], "missing"),
                (["verify", "a", "b"], "b"), (["list", "--state"], "--state"),
                (["report", "--out"], "--out")):
            done = harness.run(*arguments, status=2)
            self.assertIn(word, done.stderr)
            self.assertIn(f"usage: cranktrap {arguments[0]}", done.stderr)
            self.assertEqual(done.stdout, "")
        done = harness.run("drive", status=2)
        for word in ('"drive"', *COMMANDS):
            self.assertIn(word, done.stderr)

    def test_without_a_daemon(self):
        for command in ("status", "now", "keep"):
            self.could_not(command, "--state", self.folder,
                           says=("no daemon", self.folder / "cranktrap.sock", "cranktrapd",
                                 "--state"))
        done = harness.run("--state", self.folder, status=3)  # cranktrap alone: the state
        self.assertIn("not-watching", done.stdout)
        self.assertIn("cranktrap list", done.stdout)

    def test_a_daemon_that_has_ended(self):
        subprocess.run(["/usr/bin/python3", "-c", "import socket, sys; "
                        "socket.socket(socket.AF_UNIX).bind(sys.argv[1])",
                        str(self.folder / "cranktrap.sock")], check=True)
        self.could_not("status", "--state", self.folder, says=("nobody listens", "again"))


class Hookups(Case):
    def sound(self):
        path = self.folder / "sound.hookup"
        path.write_text(harness.van("driver = sim", "36-1", "", battery="divider = 5.7"))
        return path

    def test_a_sound_one(self):
        answer = self.answer("hookup", "--check", self.sound())
        self.assertEqual((answer["sound"], answer["problems"]), (True, []))
        text = harness.run("hookup", "--check", self.sound()).stdout
        for word in ("is sound", "battery", "crank-feed", "crank-return", "crank-signal"):
            self.assertIn(word, text)

    def test_a_wrong_one(self):
        path = self.folder / "wrong.hookup"
        path.write_text(self.sound().read_text().replace("role = feed", "role = fed"))
        answer = self.answer("hookup", "--check", path, status=3)
        self.assertFalse(answer["sound"])
        problem = answer["problems"][0]
        self.assertEqual(path.read_text().splitlines()[problem["line"] - 1], "role = fed")
        self.assertEqual(problem["read"], "fed")
        done = harness.run("hookup", "--check", path, status=3)
        for word in ("wrong.hookup", str(problem["line"]), "fed", "feed", "nothing would start"):
            self.assertIn(word, done.stderr)

    def test_one_that_is_not_there(self):
        path = self.folder / "none.hookup"
        for more in ([], ["--json"]):
            done = harness.run("hookup", "--check", path, *more, status=3)
            self.assertIn("none.hookup: No such file", done.stderr)
        self.assertFalse(json.loads(done.stdout)["sound"])

    def test_boards(self):
        answer = self.answer("boards", "--state", self.folder)
        self.assertLessEqual({"sim", "text-serial", "packet-serial"},
                             {driver["driver"] for driver in answer["drivers"]})
        self.assertIsNone(answer["daemon"])
        self.assertIsNone(answer["hookup"])
        path = self.folder / "missing.hookup"
        path.write_text(harness.van(
            f"driver = text-serial\ndevice = {self.folder}/nothing\nrate = 100", "2", ""))
        boards = self.answer("boards", "--hookup", path, "--state", self.folder)["hookup"]
        self.assertEqual([board["there"] for board in boards], [False])
        self.assertIn("nothing", boards[0]["why"])
        text = harness.run("boards", "--hookup", path, "--state", self.folder).stdout
        self.assertIn("missing", text)
        self.could_not("boards", "--hookup", self.folder / "none", says=("none: No such file",))

    def test_board_files_of_ones_own_and_what_is_wrong_with_them(self):
        (self.folder / "mine.board").write_text("[board]\nsummary = mine\ndriver = text-serial\n")
        (self.folder / "wrong.board").write_text("[board]\nsummary = mine\ndriver = text-seral\n")
        os.environ["CRANKTRAP_BOARDS"] = str(self.folder)
        self.addCleanup(os.environ.pop, "CRANKTRAP_BOARDS")
        answer = self.answer("boards", "--state", self.folder)
        files = {file["board_file"]: file for file in answer["board_files"]}
        self.assertLessEqual({"mine", "wrong", "text-lines", "bulk-packed-12"}, set(files))
        self.assertEqual(files["mine"]["path"], str(self.folder / "mine.board"))
        self.assertEqual(files["mine"]["problems"], [])
        self.assertIsNone(files["wrong"]["driver"])
        self.assertIn("text-serial", files["wrong"]["problems"][0])
        text = harness.run("boards", "--state", self.folder).stdout
        self.assertIn("--explain says where", text)
        text = harness.run("boards", "--explain", "--state", self.folder).stdout
        self.assertIn('line 3: [board] driver: allowed: text-serial', text)


class Imports(Case):
    def test_what_was_imported(self):
        self.assertEqual(self.imported["schema"], "cranktrap.import/1")
        self.assertEqual(self.imported["rows"], RATE * SECONDS)
        self.assertEqual((self.imported["channels"], self.imported["missing"]), (4, 0))
        self.assertAlmostEqual(self.imported["rate_hz"], RATE, places=3)
        again = self.folder / "again.crank"
        text = harness.run("import", self.csv, "--hookup", self.hookup, "--out", again).stdout
        self.assertIn("4 channels", text)
        self.assertIn("again.crank", text)

    def test_a_wrong_row_is_named_and_nothing_written(self):
        lines = self.csv.read_text().splitlines()
        lines[100] = lines[100].replace(",", ";", 1)
        wrong, out = self.folder / "wrong.csv", self.folder / "wrong.crank"
        wrong.write_text("\n".join(lines))
        self.could_not("import", wrong, "--hookup", self.hookup, "--out", out,
                       says=("wrong.csv", "101", "nothing was written"))
        self.could_not("import", self.folder / "none.csv", "--hookup", self.hookup, "--out", out,
                       says=("none.csv", "No such file"))
        self.could_not("import", self.csv, "--hookup", self.folder / "none.hookup", "--out", out,
                       says=("none.hookup", "No such file"))
        self.could_not("import", self.csv, "--hookup", self.hookup, "--out",
                       self.folder / "none" / "x.crank", says=("nothing was written",))
        self.assertEqual([path.name for path in self.folder.iterdir()], ["wrong.csv"])


class Reports(Case):
    def test_of_a_file(self):
        report = self.answer("report", self.crank)
        self.assertAlmostEqual(report["duration_s"], SECONDS, delta=2 / RATE)
        self.assertEqual(report["losses"], [])
        verdict = report["verdict"]
        self.assertEqual((verdict["fault"], verdict["channel"]), ("feed-collapse", "crank-feed"))
        # The feed is still good one row before it is down: the onset lies between the two.
        self.assertLessEqual(verdict["at_from_s"], COLLAPSE[0] + 1e-6)
        self.assertGreaterEqual(verdict["at_to_s"], COLLAPSE[0] - 1 / RATE - 1e-6)
        text = harness.run("report", self.crank).stdout
        self.assertIn("Verdict:   feed-collapse, sensor crank", text)
        self.assertLessEqual(max(map(len, text.splitlines())), 80)

    def test_fail_on_fault(self):
        harness.run("report", self.crank, "--fail-on-fault", status=1)

    def test_ascii(self):
        done = subprocess.run([str(harness.BIN / "cranktrap"), "report", str(self.crank),
                               "--ascii"], capture_output=True, timeout=harness.PATIENCE_S,
                              check=True)
        self.assertTrue(done.stdout.isascii())
        self.assertIn(b"crank-feed", done.stdout)

    def test_to_a_file(self):
        out = self.folder / "report.txt"
        self.assertEqual(harness.run("report", self.crank, "--out", out).stdout, "")
        self.assertIn("Verdict:", out.read_text())
        harness.run("report", self.crank, "--json", "--out", out)
        self.assertEqual(json.loads(out.read_text())["schema"], "cranktrap.report/1")
        self.could_not("report", self.crank, "--out", self.folder / "none" / "report.txt",
                       says=("none/report.txt", "No such file"))
        self.assertEqual([path.name for path in self.folder.iterdir()], ["report.txt"])

    def test_the_end_of_a_name(self):
        """It says what is written; one that says nothing that is known writes nothing."""
        for name, holds in (("a.pdf", b"%PDF-"), ("a.JSON", b'"schema"'), ("a.b/plain", b"Verdict:"),
                            (".hidden", b"Verdict:")):
            out = self.folder / name
            out.parent.mkdir(exist_ok=True)
            harness.run("report", self.crank, "--out", out)
            self.assertIn(holds, out.read_bytes(), name)
        for name in ("report.docx", "report.pdf.old", "report.htm"):
            done = harness.run("report", self.crank, "--out", self.folder / name, status=2)
            self.assertIn(".pdf, .svg, .png or .html", done.stderr)
            self.assertFalse((self.folder / name).exists())

    def test_of_a_state_folder(self):
        state = self.state()
        text = harness.run("report", "--state", state).stdout
        self.assertIn("snapshot 1 (the latest that failed)", text.splitlines()[0])
        self.assertEqual(self.answer("report", "1", "--state", state)["verdict"]["fault"],
                         "feed-collapse")
        self.could_not("report", "7", "--state", state, says=("no snapshot 7", "cranktrap list"))
        rows = self.answer("list", "--state", state)["attempts"]
        self.assertEqual([(row["number"], row["failed"]) for row in rows], [(1, True)])
        text = harness.run("list", "--state", state).stdout
        self.assertIn("feed-collapse of crank", text)
        self.assertIn("1 attempt in 1 snapshot; 1 needs a look", text)

    def row(self, state):
        rows = self.answer("list", "--state", state)["attempts"]
        return rows[0] if rows else None

    def test_what_is_said_of_a_snapshot(self):
        state = self.state()
        said = ("reviewed", "hold", "good", "note", "standing")
        self.assertEqual([self.row(state)[key] for key in said],
                         [False, False, False, None, "not reviewed"])
        self.could_not("list", "--delete", "1", "--state", state,
                       says=("snapshot 1 may not go", "not reviewed", "--reviewed 1"))
        before = (state / "snapshots" / "0001.crank").read_bytes()
        text = harness.run("list", "--reviewed", "1", "--good", "1", "--note", "1", "new splice",
                           "--state", state).stdout
        for line in ("Snapshot 1: reviewed.", "Snapshot 1: good", "Snapshot 1: noted."):
            self.assertIn(line, text)
        self.assertEqual([self.row(state)[key] for key in said],
                         [True, False, True, "new splice", "good"])
        self.assertEqual((state / "snapshots" / "0001.crank").read_bytes(), before)
        text = harness.run("list", "--state", state).stdout
        self.assertIn("reviewed, good: new splice", text)
        self.assertIn("0 need a look", text)
        self.could_not("list", "--delete", "1", "--state", state, says=("good", "--clear 1"))
        harness.run("list", "--clear", "1", "--note", "1", "", "--state", state)
        self.assertEqual([self.row(state)[key] for key in said],
                         [False, False, False, None, "not reviewed"])
        self.could_not("list", "--hold", "7", "--state", state, says=("no snapshot 7",))
        harness.run("list", "--reviewed", "1", "--delete", "1", "--state", state)
        self.assertIsNone(self.row(state))
        self.assertEqual(list((state / "snapshots").iterdir()), [])

    def test_of_an_empty_state_folder(self):
        state = self.folder / "state"
        (state / "snapshots").mkdir(parents=True)
        self.assertEqual(self.answer("list", "--state", state)["attempts"], [])
        self.assertIn("Nothing was caught", harness.run("list", "--state", state).stdout)
        self.could_not("report", "--state", state, says=("nothing was caught",))
        for command in ("list", "report"):
            self.could_not(command, "--state", self.folder / "none",
                           says=("no state folder", self.folder / "none"))

    def test_of_a_truncated_file(self):
        path = self.folder / "cut.crank"
        path.write_bytes(self.crank.read_bytes()[:self.crank.stat().st_size * 6 // 10])
        whole, cut = self.answer("report", self.crank), self.answer("report", path)
        self.assertGreater(cut["duration_s"], 1.0)
        self.assertLess(cut["duration_s"], whole["duration_s"])
        self.assertEqual(len(cut["channels"]), 4)
        self.assertTrue(cut["losses"])
        text = harness.run("report", path).stdout
        self.assertIn("Losses", text)
        self.assertIn("damaged file", " ".join(text[text.index("Losses"):].split()))

    def test_of_what_cannot_be_read(self):
        path = self.folder / "none.crank"
        self.could_not("report", path, says=("No such file",))
        self.assertEqual(harness.run("report", path, status=3).stderr.count("none.crank"), 1)
        path.write_bytes(of_version(2, self.crank.read_bytes()))
        self.could_not("report", path, says=("none.crank", "newer"))
        path.write_bytes(of_version(0, self.crank.read_bytes()))
        self.could_not("report", path, says=("none.crank", "before the format was settled", "import"))
        path.write_bytes(self.crank.read_bytes()[:40])
        self.could_not("report", path, says=("none.crank",))


class Verify(Case):
    def check(self, content, status, state, text):
        path = self.folder / "tried.crank"
        path.write_bytes(content)
        answer = self.answer("verify", path, status=status)
        self.assertEqual((answer["state"], answer["file"]), (state, str(path)))
        self.assertRegex(answer["text"], text)
        self.assertIn(answer["text"], harness.run("verify", path, status=status).stdout)

    def test_every_exit_status(self):
        whole = self.crank.read_bytes()
        middle = len(whole) // 2
        begins = max(at for at, _ in chunks(whole) if at <= middle)  # the chunk that is damaged
        flipped = whole[:middle] + bytes([whole[middle] ^ 0x40]) + whole[middle + 1:]
        self.check(whole, 0, "whole", "whole")
        self.check(self.csv.read_bytes(), 4, "not-ours", "not ours")
        self.check(of_version(2, whole), 5, "newer", "by a newer cranktrap")
        self.check(of_version(0, whole), 5, "newer", "before the format was settled")
        self.check(whole[:middle], 6, "truncated", rf"at byte {begins}\b")
        self.check(whole[:begins] + bytes(40), 6, "truncated", rf"at byte {begins}\b")
        self.check(whole[:middle] + bytes(4096), 6, "truncated", rf"at byte {begins}\b")
        self.check(flipped, 7, "corrupt", rf"at byte {begins}\b")
        self.check(whole + b"garbage behind the end", 7, "corrupt", rf"at byte {len(whole)}\b")
        answer = self.answer("verify", self.folder / "none", status=8)
        self.assertEqual(answer["state"], "io-error")
        self.assertIn("No such file", answer["text"])


if __name__ == "__main__":
    harness.main()
