#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""The Debian package: what is in it, its unit's sandbox, its man pages and completion beside the
programs' own --help, the programs as unpacked. CRANKTRAP_BUILD has the package."""
import os
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile
import time
import unittest

BUILD = pathlib.Path(os.environ.get("CRANKTRAP_BUILD", "build/package")).resolve()
EXPOSURE_MAX = 2.0  # what the sandbox may leave open, by `systemd-analyze security`


def output(*command, status=0, **more):
    done = subprocess.run(list(map(str, command)), capture_output=True, text=True, timeout=120,
                          check=False, **more)
    if done.returncode != status:
        raise AssertionError(f"{command}: {done.returncode}\n{done.stdout}\n{done.stderr}")
    return done.stdout


class Package(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        found = sorted(BUILD.glob("cranktrap_*.deb"))
        if not found:
            raise unittest.SkipTest("no package in the build: cmake --build BUILD --target package")
        cls.deb = found[-1]
        cls.root = pathlib.Path(tempfile.mkdtemp(prefix="cranktrap-package-"))
        cls.addClassCleanup(shutil.rmtree, cls.root, ignore_errors=True)
        output("dpkg-deb", "-x", cls.deb, cls.root)
        output("dpkg-deb", "-e", cls.deb, cls.root / "DEBIAN")

    def field(self, name):
        return output("dpkg-deb", "-f", self.deb, name).strip()

    def test_control(self):
        self.assertEqual(self.field("Package"), "cranktrap")
        depends = self.field("Depends")
        for library in ("libc6", "libsystemd0", "libmicrohttpd12", "libusb-1.0-0", "systemd |"):
            self.assertIn(library, depends)
        for library in ("-dev", "libasan", "libcmocka"):
            self.assertNotIn(library, depends)
        self.assertEqual((self.root / "DEBIAN/conffiles").read_text().split(),
                         ["/etc/cranktrap/sample.hookup"])

    def test_scripts_are_sound(self):
        for name in ("postinst", "prerm", "postrm"):
            script = self.root / "DEBIAN" / name
            self.assertEqual(script.stat().st_mode & 0o777, 0o755)
            output("sh", "-n", script)

    def test_owners_and_places(self):
        for line in output("dpkg-deb", "-c", self.deb).splitlines():
            mode, owner, path = line.split()[0], line.split()[1], line.split()[5]
            self.assertEqual(owner, "root/root", line)
            self.assertNotRegex(mode, r"^.{8}w", line)
            self.assertRegex(path, r"^\./($|usr/|etc/)", line)
            self.assertNotRegex(path, r"^\./usr/local")
        for path in ("usr/bin/cranktrap", "usr/bin/cranktrapd", "usr/lib/sysusers.d/cranktrap.conf",
                     "usr/lib/tmpfiles.d/cranktrap.conf", "usr/lib/udev/rules.d/65-cranktrap.rules",
                     "usr/lib/udev/hwdb.d/65-cranktrap.hwdb", "etc/cranktrap/sample.hookup",
                     "usr/lib/systemd/system/cranktrapd.socket", "usr/share/doc/cranktrap/copyright",
                     "usr/share/cranktrap/boards/packets-8x16.board"):
            self.assertTrue((self.root / path).is_file(), path)

    def test_sandbox(self):
        if not shutil.which("systemd-analyze"):
            self.skipTest("systemd-analyze is missing: the sandbox's exposure is not known")
        unit = self.root / "usr/lib/systemd/system/cranktrapd.service"
        text = output("systemd-analyze", "security", "--offline=true", "--no-pager", unit)
        exposure = float(re.search(r"Overall exposure level for \S+: ([0-9.]+)", text).group(1))
        self.assertLessEqual(exposure, EXPOSURE_MAX, text)

    def test_unit(self):
        """What only a machine with systemd shows (tests/vm service outage), kept here at least as text."""
        text = (self.root / "usr/lib/systemd/system/cranktrapd.service").read_text()
        # A name is looked up when the service starts; drivers come with the first board.
        self.assertEqual(set(re.findall(r"^DeviceAllow=char-(\S+) rw$", text, re.M)),
                         {"189", "188", "166", "ttyS"})
        # Debian without procps has no kill but the shell's.
        self.assertEqual(re.findall(r"^Exec\w+=(\S+)", text, re.M), ["/usr/bin/cranktrapd", "/bin/sh"])

    def test_man_pages_are_the_help(self):
        """Every line that a program says of itself stands in its page, as it says it."""
        if not shutil.which("man"):
            self.skipTest("man is missing: the pages are not rendered")
        program = self.root / "usr/bin/cranktrap"
        commands = re.findall(r"^  ([a-z]+) ", output(program, "--help"), re.M)
        self.assertGreater(len(commands), 10)
        for page, calls in (("man1/cranktrap.1", [[], *([c] for c in commands)]),
                            ("man8/cranktrapd.8", [[]])):
            path = self.root / "usr/share/man" / page
            rendered = output("man", "--warnings", "-l", path,
                              env={**os.environ, "MANWIDTH": "200", "LC_ALL": "C.UTF-8", "PAGER": "cat"})
            lines = {line.strip() for line in rendered.splitlines()}
            for call in calls:
                for line in output(program.parent / path.stem, *call, "--help").splitlines():
                    self.assertIn(line.strip(), lines)

    def test_pages_of_formats(self):
        for name, words in (("hookup", "measured-at"), ("board", "[packet]"), ("container", "CRC")):
            path = self.root / f"usr/share/man/man5/cranktrap-{name}.5"
            done = subprocess.run(["man", "--warnings", "-l", str(path)], capture_output=True,
                                  text=True, env={**os.environ, "PAGER": "cat"}, check=False)
            self.assertEqual((done.returncode, done.stderr), (0, ""))
            self.assertIn(words, done.stdout)

    def complete(self, *words):
        script = self.root / "usr/share/bash-completion/completions/cranktrap"
        return output("bash", "-c", 'source "$0"; COMP_WORDS=(cranktrap "$@"); COMP_CWORD=$#; '
                      '_cranktrap; echo "${COMPREPLY[@]}"', script, *words).split()

    def test_completion(self):
        self.assertEqual(self.complete("re"), ["ready", "report"])
        self.assertEqual(self.complete("report", "--fa"), ["--fail-on-fault"])
        self.assertIn("--state", self.complete("verify", "--"))

    def test_runs_as_unpacked(self):
        """The sample as it stands, in the foreground: what the package has is enough."""
        state = self.root / "state"
        log = open(self.root / "log", "w+")
        self.addCleanup(log.close)
        daemon = subprocess.Popen([self.root / "usr/bin/cranktrapd", "--state", state, "--hookup",
                                   self.root / "etc/cranktrap/sample.hookup"], stderr=log)
        self.addCleanup(daemon.kill)
        program = self.root / "usr/bin/cranktrap"
        deadline = time.monotonic() + 60
        while subprocess.run([program, "status", "--state", state], capture_output=True,
                             check=False).returncode != 0 and time.monotonic() < deadline:
            time.sleep(0.1)
        self.assertIn("parcel van", output(program, "status", "--state", state))
        daemon.terminate()
        self.assertEqual(daemon.wait(60), 0, (self.root / "log").read_text())


if __name__ == "__main__":
    result = unittest.main(exit=False, verbosity=2).result
    for _, why in result.skipped:
        print(f"NOT RUN: package: {why}")
    nothing = not result.testsRun and result.skipped
    sys.exit(77 if nothing else 0 if result.wasSuccessful() else 1)
