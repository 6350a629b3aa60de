#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""udev_test.py - the udev files in the tree are those that cranktrap-udev writes, and say what a
board needs, to nobody else."""
import os
import pathlib
import re
import subprocess
import tempfile
import unittest

BIN = pathlib.Path(os.environ["CRANKTRAP_BIN"])
ROOT = pathlib.Path(__file__).resolve().parents[2]

BOARD = """[board]
summary = {summary}
driver = {driver}
rate = 1000
ids = 1209:0002, 1209:00ff
{more}
[packet]
header = aa
bits = 12
columns = 0, 1
"""


def write(kind, *boards, status=0, folder=None):
    environment = dict(os.environ, CRANKTRAP_BOARDS=str(folder) if folder else "")
    done = subprocess.run([BIN / "cranktrap-udev", kind, *boards], env=environment, text=True,
                          capture_output=True, check=False)
    assert done.returncode == status, done
    return done.stdout if status == 0 else done.stderr


class Files(unittest.TestCase):
    def test_those_in_the_tree_are_what_is_written(self):
        for kind in ("rules", "hwdb"):
            path = ROOT / "udev" / f"65-cranktrap.{kind}"
            self.assertEqual(path.read_text(), write(kind),
                             f"write {path} anew: cranktrap-udev {kind} > {path}")

    def test_by_default_no_device_is_claimed(self):
        self.assertNotIn("idVendor", write("rules"))
        self.assertNotIn("usb:v", write("hwdb"))

    def test_the_number_takes_effect(self):
        for path in (ROOT / "udev").glob("*.rules"):
            self.assertTrue(60 < int(path.name[:2]) < 73, path)


class OwnBoard(unittest.TestCase):
    def setUp(self):
        folder = tempfile.TemporaryDirectory()
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)
        self.path = self.folder / "bench-2.board"

    def rules(self, driver, more=""):
        self.path.write_text(BOARD.format(summary="two inputs", driver=driver, more=more))
        return write("rules", "bench-2", folder=self.folder)

    def test_a_usb_board(self):
        rules = self.rules("usb-bulk", "[usb]\nendpoint = 81")
        for product in ("0002", "00ff"):
            self.assertRegex(rules, rf'ATTRS{{idVendor}}=="1209", ATTRS{{idProduct}}=="{product}", '
                                    r'ENV{CRANKTRAP_BOARD}="bench-2", ENV{CRANKTRAP_BUS}="usb"')
        self.assertEqual(write("hwdb", "bench-2", folder=self.folder).count("usb:v1209p"), 2)

    def test_a_serial_board_with_a_pattern(self):
        rules = self.rules("layout-serial", "serial-number = CT-*")
        self.assertIn('ATTRS{serial}=="CT-*", ENV{CRANKTRAP_BOARD}="bench-2", '
                      'ENV{CRANKTRAP_BUS}="serial"', rules)
        self.assertNotIn("usb:v", write("hwdb", "bench-2", folder=self.folder))

    def test_what_a_board_gets(self):
        rules = self.rules("layout-serial")
        self.assertEqual(set(re.findall(r'MODE="(\d+)"', rules)), {"0660"})
        self.assertEqual(set(re.findall(r'GROUP="(\w+)"', rules)), {"cranktrap"})
        self.assertIn('ATTR{power/control}="on"', rules)
        self.assertIn('ENV{ID_MM_DEVICE_IGNORE}="1"', rules)
        self.assertIn('SYMLINK+="cranktrap/$env{CRANKTRAP_BOARD}-$env{ID_SERIAL_SHORT}"', rules)

    def test_every_line_is_a_rule(self):
        """Keys, operators and quotes as udev(7) has them; every GOTO has its LABEL."""
        rule = re.compile(r'(?:^|, )(?:[A-Z]+|[A-Z]+\{[A-Za-z_/]+\})(?:==|!=|=|\+=)"[^"]*"')
        rules = self.rules("usb-bulk", "[usb]\nendpoint = 81")
        for line in rules.splitlines():
            if line and not line.startswith("#"):
                self.assertEqual("", rule.sub("", line), line)
        self.assertEqual(set(re.findall(r'GOTO="(\w+)"', rules)),
                         set(re.findall(r'LABEL="(\w+)"', rules)))

    def test_a_wrong_board_file_is_no_rule(self):
        self.path.write_text("[board]\n")
        self.assertIn("bench-2.board:1: [board]: summary is missing",
                      write("rules", "bench-2", status=3, folder=self.folder))
        self.assertIn('no quote', self.complaint('serial-number = a"b'))
        self.assertIn("letters, digits", self.complaint("", "no good"))

    def complaint(self, more, name="bench-2"):
        path = self.folder / f"{name}.board"
        path.write_text(BOARD.format(summary="x", driver="layout-serial", more=more))
        return write("rules", name, status=3, folder=self.folder)


if __name__ == "__main__":
    unittest.main()
