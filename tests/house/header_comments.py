#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""Every function of a header is documented there: a comment above its group, or at its end.

A group ends with an empty line. A test: exit status 1 and one line per function without a comment.
"""
import pathlib
import re
import sys

ROOT = pathlib.Path(__file__).resolve().parents[2]
FUNCTION = re.compile(r"^(?!static|typedef|extern)[a-z][\w\s*]*?\b(\w+)\(")


def groups(lines):
    """(number of its first line, its lines): what stands together without an empty line."""
    begin = 0
    for number, line in enumerate(lines + [""]):
        if line.strip():
            continue
        if number > begin:
            yield begin, lines[begin:number]
        begin = number + 1


def undocumented(lines):
    """The functions of a group before which, and behind which, there is no comment."""
    commented = False
    for number, line in enumerate(lines):
        match = FUNCTION.match(line)
        ends = next((i for i in range(number, len(lines)) if re.search("[;{]", lines[i])), number)
        whole = " ".join(lines[number:ends + 1])
        if match and "{" not in whole and not commented and "/*" not in whole:
            yield number, match.group(1)
        commented = commented or "*/" in line and not line.startswith("  ")  # of no member


def main():
    missing = []
    headers = [p for top in ("analysis", "drivers", "daemon") for p in sorted((ROOT / top).rglob("*.h"))]
    for path in headers:
        for begin, lines in groups(path.read_text().splitlines()):
            missing += [f"{path.relative_to(ROOT)}:{begin + number + 1}: {name}() is not documented"
                        for number, name in undocumented(lines)]
    print(*missing, sep="\n", end="\n" if missing else "")
    print(f"{len(headers)} headers looked at, {len(missing)} functions without a comment")
    return 1 if missing or not headers else 0


if __name__ == "__main__":
    sys.exit(main())
