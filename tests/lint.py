#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""clang-tidy over the sources of a build: lint.py BUILD-FOLDER FILE-LIST

Nearly all of its time goes into following the paths through each source. What came out clean is
remembered in BUILD-FOLDER/lint by a digest of the source as the preprocessor leaves it, with its
comments, and of the tool and its settings: it is looked at again when any of that has changed.
"""
import concurrent.futures
import hashlib
import json
import os
import pathlib
import shlex
import subprocess
import sys

ROOT = pathlib.Path(__file__).resolve().parents[1]


def output_of(*command, folder=None):
    return subprocess.run(command, cwd=folder, stdout=subprocess.PIPE, check=True).stdout


def digest_of(entry, tool):
    """Of all that clang-tidy sees when it looks at a source."""
    words = shlex.split(entry["command"])
    if os.path.basename(words[0]) == "ccache":  # it has nothing to do here, as there is no object
        words.pop(0)
    at = words.index("-o")
    text = output_of(*words[:at], *words[at + 2:], "-E", "-CC", folder=entry["directory"])
    return hashlib.sha256(tool + entry["command"].encode() + text).hexdigest()


def look(build, source, entries, tool):
    """Was it looked at, and what the tool says of it, as `entries` compile it ("": nothing)."""
    digests = [digest_of(entry, tool) for entry in entries] or [source]
    clean = build / "lint" / hashlib.sha256("".join(digests).encode()).hexdigest()
    if entries and clean.exists():
        return False, ""
    ran = subprocess.run(["clang-tidy", "-p", build, "--quiet", "--warnings-as-errors=*", source],
                         stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, check=False)
    if ran.returncode == 0:
        clean.touch()
    return True, "" if ran.returncode == 0 else ran.stdout or ran.stderr


def main():
    build = pathlib.Path(sys.argv[1])
    wanted = pathlib.Path(sys.argv[2]).read_text().split("\n")
    tool = output_of("clang-tidy", "--version") + (ROOT / ".clang-tidy").read_bytes()
    entries = {}
    for entry in json.loads((build / "compile_commands.json").read_text()):
        entries.setdefault(entry["file"], []).append(entry)
    # The longest first: at the end none is waited for.
    sources = sorted(filter(None, wanted), key=os.path.getsize, reverse=True)
    (build / "lint").mkdir(exist_ok=True)
    with concurrent.futures.ThreadPoolExecutor(os.cpu_count()) as pool:
        answers = list(pool.map(lambda name: look(build, name, entries.get(name, []), tool), sources))
    print("".join(words for _, words in answers), end="")
    print(f"clang-tidy: {len(sources)} sources, {sum(ran for ran, _ in answers)} of them looked at, "
          f"{sum(bool(words) for _, words in answers)} with findings")
    return 1 if any(words for _, words in answers) or not sources else 0


if __name__ == "__main__":
    sys.exit(main())
