#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""Every file, folder and function that DEVELOPERS.md names is there.

A test: exit status 1 and one line per name that leads nowhere.
"""
import fnmatch
import pathlib
import re
import sys

ROOT = pathlib.Path(__file__).resolve().parents[2]
TOPS = ("analysis", "drivers", "daemon", "udev", "tests", "docs")
FILE = re.compile(r"^[\w./*-]+\.(c|h|py|js|css|md|cmake)$")
FOLDER = re.compile(r"^[\w.-]+(/[\w.-]+)*/$")
FUNCTION = re.compile(r"^\w+_\w+$")
# Folders of a build, and what a reader is to put a name of their own in.
NOT_HERE = re.compile(r"^build/|<|NAME|FOLDER")


def main():
    paths = [path for top in TOPS for path in [ROOT / top, *(ROOT / top).rglob("*")]
             if "node_modules" not in path.parts]
    files = ["/" + path.relative_to(ROOT).as_posix() for path in [*paths, *ROOT.glob("*.md")]
             if path.is_file()]
    folders = ["/" + path.relative_to(ROOT).as_posix() + "/" for path in paths if path.is_dir()]
    code = "\n".join((ROOT / name[1:]).read_text() for name in files
                     if name.endswith(".c") and not name.startswith("/tests/"))
    text = re.sub(r"```.*?```", "", (ROOT / "DEVELOPERS.md").read_text(), flags=re.DOTALL)
    named = sorted(set(re.findall(r"`([^`\n]+)`", text)))
    lost, known = [], 0
    for name in (name for name in named if not NOT_HERE.search(name)):
        if FILE.match(name):
            there = any(fnmatch.fnmatch(path, "*/" + name) for path in files)
        elif FOLDER.match(name):
            there = any(folder.endswith("/" + name) for folder in folders)
        elif FUNCTION.match(name) and name.islower():
            there = re.search(rf"^\w[^\n;=]*\b{name}\(", code, flags=re.MULTILINE)
        else:
            continue
        known += 1
        if not there:
            lost.append(f"DEVELOPERS.md names `{name}`: it is nowhere")
    print(*lost, sep="\n", end="\n" if lost else "")
    print(f"{known} names looked up, {len(lost)} of them nowhere")
    return 1 if lost or known == 0 else 0


if __name__ == "__main__":
    sys.exit(main())
