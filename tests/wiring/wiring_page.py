#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""wiring_page.py - writes the drawings and the tables of docs/wiring.md; with --check says whether
they are what it would write."""
import pathlib
import re
import sys

import drawing
import front_end

DOCS = pathlib.Path(__file__).resolve().parents[2] / "docs"


def ohms(value):
    return f"{value / 1e6:.3g} MΩ" if value >= 1e6 else f"{value / 1e3:.3g} kΩ"


def legs_table():
    rows = ["| input | parts: series, shunt | `divider` | `offset` | range at the lead "
            "| `input-ohms` | `delay` | into the clamp at load dump |", "|---" * 8 + "|"]
    for leg in front_end.LEGS:
        low, high = leg.range_v
        dump = front_end.LOAD_DUMP_V[leg.name]
        hangs = f" to {leg.bias_v:g} V" if leg.bias_v else ""
        offset = f"{leg.offset:.4g} V" if leg.offset else "none"
        rows.append(f"| {leg.name} | {ohms(leg.series)}, {ohms(leg.shunt)}{hangs} "
                    f"| {leg.divider:.4g} | {offset} | {low:.3g} to {high:.3g} V "
                    f"| {ohms(leg.input_ohms)} | {leg.delay_s * 1e6:.3g} us "
                    f"| {leg.clamp_current(dump) * 1e6:.0f} µA at {dump:g} V |")
    return "\n".join(rows)


def loading_table():
    rows = ["| pull-up | " + " | ".join(f"input {ohms(i)}" for i in front_end.INPUTS) + " |",
            "|---" * (len(front_end.INPUTS) + 1) + "|"]
    for pull_up in front_end.PULL_UPS:
        rows.append(f"| {ohms(pull_up)} | " + " | ".join(
            f"{front_end.loaded(pull_up, i):.2f} V" for i in front_end.INPUTS) + " |")
    return "\n".join(rows)


def pages():
    """Every file that is written, and its text."""
    legs = {leg.name: leg for leg in front_end.LEGS}
    made = {
        "battery": drawing.divider(legs["battery, 12 V system"], "Battery of a 12 V system"),
        "sensor": drawing.sensor(legs["feed, signal"]),
        "return": drawing.biased(legs["return"], "Return, biased", "return", "5 V of the board"),
        "inductive": drawing.biased(legs["inductive, each leg"], "One leg of an inductive sensor",
                                    "one leg", "2.5 V, buffered"),
    }
    texts = {f"wiring-{name}.svg": picture.svg() for name, picture in made.items()}
    text = (DOCS / "wiring.md").read_text(encoding="utf-8")
    for name, table in (("legs", legs_table()), ("loading", loading_table())):
        text = re.sub(rf"(<!-- {name} -->\n).*?(<!-- end -->)",
                      lambda m, t=table: f"{m[1]}{t}\n{m[2]}", text, flags=re.S)
    texts["wiring.md"] = text
    return texts


def main():
    check = "--check" in sys.argv[1:]
    stale = []
    for name, text in pages().items():
        path = DOCS / name
        if check and (not path.exists() or path.read_text(encoding="utf-8") != text):
            stale.append(name)
        elif not check:
            path.write_text(text, encoding="utf-8")
    if stale:
        print(f"not as tests/wiring/wiring_page.py writes them: {', '.join(stale)}")
    return 1 if stale else 0


if __name__ == "__main__":
    sys.exit(main())
