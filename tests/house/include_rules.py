#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""Who may include what, and what may stand at the top level: the rules of DEVELOPERS.md.

Reads the `#include` lines of the whole tree. A test: exit status 1 and one line per breach.
"""
import pathlib
import re
import subprocess
import sys

ROOT = pathlib.Path(__file__).resolve().parents[2]

TOP_LEVEL = {"README.md", "DEVELOPERS.md", "LICENSE", "CMakeLists.txt", "daemon", "drivers",
             "analysis", "tests", "udev", "docs"}

# A folder may use itself and the folders named here.
DAEMON_ORDER = ["hookup", "calibration", "ring", "intake", "watch", "snapshot", "report", "serve", "cli"]
MAY_USE = {
    "analysis": set(),
    "drivers": set(),
    "drivers/transport": {"drivers"},
    "drivers/firmware": set(),
}
for index, name in enumerate(DAEMON_ORDER):
    MAY_USE["daemon/" + name] = (
        {"analysis", "drivers", "drivers/transport"}
        | {"daemon/" + other for other in DAEMON_ORDER[:index]})
MAY_USE["daemon/report"].discard("daemon/serve")
MAY_USE["daemon/cli"].discard("daemon/serve")  # a command asks through the socket
MAY_USE["daemon/service"] = set()
MAY_USE["daemon/cranktrapd"] = set(MAY_USE) - {"daemon/cli", "daemon/report"}

# Poll drivers get their scans themselves: they find and open their device by the transport.
FILE_MAY_USE = {
    "drivers/modbus-rtu.c": {"drivers/transport"},
    "drivers/usb-tmc.c": {"drivers/transport"},
}

# Third-party headers, and the only folders, or files, they may appear in.
OWNERS = {
    "libserialport.h": {"drivers/transport"},
    "libusb.h": {"drivers/transport"},
    "libudev.h": {"drivers/transport"},
    "modbus/modbus.h": {"drivers/modbus-rtu.c"},
    "iio.h": {"drivers/iio.c"},
    "termios.h": {"drivers/transport"},
    "ini.h": {"daemon/hookup"},
    "zlib.h": {"daemon/ring"},
    "jansson.h": {"daemon/calibration", "daemon/ring", "daemon/snapshot", "daemon/report", "daemon/serve", "daemon/cli",
                  "daemon/cranktrapd"},
    "microhttpd.h": {"daemon/serve"},
    "systemd/sd-daemon.h": {"daemon/service"},
    "systemd/sd-journal.h": {"daemon/service"},
    "systemd/sd-bus.h": {"daemon/service"},
    "curl/curl.h": {"daemon/cli"},
    "qrencode.h": {"daemon/cli"},
    "cairo.h": {"daemon/report"},
    "cairo-pdf.h": {"daemon/report"},
    "cairo-svg.h": {"daemon/report"},
    "pango/pangocairo.h": {"daemon/report"},
    "glib.h": {"daemon/report"},
    "sndfile.h": {"daemon/report"},
    "hdf5.h": {"daemon/report"},
    "pthread.h": {"daemon/cli", "daemon/ring", "daemon/intake", "daemon/watch", "daemon/snapshot",
                  "daemon/serve", "daemon/cranktrapd"},
}
# The firmware side is for microcontrollers: these headers and no others.
FIRMWARE = {"stdint.h", "stddef.h", "string.h", "wire_encoder.h", "example_board.h"}

INCLUDE = re.compile(r'^\s*#\s*include\s*([<"])([^>"]+)[>"]')


def folder_of(path):
    return path.parent.relative_to(ROOT).as_posix()


def main():
    breaches = []
    sources = [p for top in ("analysis", "drivers", "daemon")
               for p in sorted((ROOT / top).rglob("*.[ch]"))]
    owner_of = {}
    for path in sources:
        if path.suffix == ".h":
            if path.name in owner_of:
                breaches.append(f"{path.name} is the name of two headers")
            owner_of[path.name] = folder_of(path)
    for path in sources:
        folder = folder_of(path)
        for number, line in enumerate(path.read_text().splitlines(), 1):
            match = INCLUDE.match(line)
            if not match:
                continue
            header = match.group(2)
            place = f"{path.relative_to(ROOT)}:{number}: {header}"
            name = path.relative_to(ROOT).as_posix()
            if header in OWNERS and not OWNERS[header] & {folder, name}:
                breaches.append(f"{place} belongs to {', '.join(sorted(OWNERS[header]))} only")
            if folder == "drivers/firmware" and header not in FIRMWARE:
                breaches.append(f"{place}: firmware has no such library")
            if match.group(1) == '"':
                owner = owner_of.get(header)
                if owner is None:
                    breaches.append(f"{place} is no header of this tree")
                elif (owner != folder and
                      owner not in MAY_USE.get(folder, set()) | FILE_MAY_USE.get(name, set())):
                    breaches.append(f"{place}: {folder} may not use {owner}")
    tracked = subprocess.run(["git", "ls-tree", "--name-only", "HEAD"], cwd=ROOT,
                             capture_output=True, text=True, check=False)
    for entry in tracked.stdout.split():
        if not entry.startswith(".") and entry not in TOP_LEVEL:
            breaches.append(f"{entry} stands at the top level; see DEVELOPERS.md")
    for breach in breaches:
        print(breach)
    print(f"{len(sources)} files looked at, {len(breaches)} breaches")
    return 1 if breaches or not sources else 0


if __name__ == "__main__":
    sys.exit(main())
