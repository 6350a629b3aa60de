#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""Writes docs/accuracy.md: how often the analysis is right, how small a fault it finds."""
import argparse
import collections
import multiprocessing
import os
import pathlib
import subprocess
import sys
import tempfile

sys.path.insert(0, str(pathlib.Path(__file__).parent))
import run_cases   # noqa: E402
import score       # noqa: E402

DIP_VOLTS = [0.3, 0.5, 1, 2, 4]
DIP_SECONDS = [0.0005, 0.001, 0.002, 0.005, 0.02, 0.1]
RETURN_VOLTS = [0.06, 0.08, 0.09, 0.11, 0.13, 0.16, 0.2, 0.3]
MISSING = [1, 2, 3, 6]
MISSING_TIMES = [1, 3, 10]
RATES = [250, 500, 1000, 2000, 5000, 10000, 20000, 50000]
NOISE = [1, 2, 4, 8, 16]


class Bench:
    """Cases through the command, on a pool of processes."""
    def __init__(self, binary, pool, folder):
        self.binary, self.pool, self.folder = binary, pool, folder

    def judge(self, seeds_and_kinds):
        jobs = [(None, self.binary, self.folder, seed, kind) for seed, kind in seeds_and_kinds]
        return self.pool.map(run_cases.judge_and_tidy, jobs, chunksize=1)

    def cells(self, names, seed, each):
        """Results of `each` cases a name, by name."""
        jobs = [(seed + index, name) for name in names for index in range(each)]
        found = self.judge(jobs)
        return {name: found[place * each:(place + 1) * each] for place, name in enumerate(names)}


def percent(one):
    if one["of"] == 0:
        return "-"
    return (f"{100 * one['share']:.1f} % ({100 * one['low']:.1f} to {100 * one['high']:.1f}), "
            f"{one['good']} of {one['of']}")


def table(head, rows):
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return lines + ["| " + " | ".join(map(str, row)) + " |" for row in rows] + [""]


def found_share(results):
    return f"{100 * sum(one['right'] for one in results) / len(results):.0f} %"


def grid(bench, kind, down, across, seed, each, heads):
    """Share found for two sizes of a fault."""
    cells = bench.cells([f"{kind}:{a}:{b}" for a in down for b in across], seed, each)
    rows = [[heads[1](a)] + [found_share(cells[f"{kind}:{a}:{b}"]) for b in across] for a in down]
    return table([heads[0]] + [heads[2](b) for b in across], rows)


def line(bench, kind, sizes, seed, each, head, written=str):
    """Share found, and how the onset was placed, for one size of a fault."""
    cells = bench.cells([f"{kind}:{size}" for size in sizes], seed, each)
    rows = []
    for size in sizes:
        results = cells[f"{kind}:{size}"]
        widths = sorted(one["width_s"] for one in results if "width_s" in one)
        inside = [one["contained"] for one in results if "contained" in one]
        rows.append([written(size), found_share(results),
                     f"{sum(inside)} of {len(inside)}" if inside else "-",
                     f"{1000 * widths[len(widths) // 2]:.2f} ms" if widths else "-"])
    return table([head, "found", "interval contains the onset", "median width"], rows)


def confusion(results):
    counts = collections.defaultdict(collections.Counter)
    for one in results:
        counts[one["truth"] + ("" if one["label"]["visible"] else " (hidden)")][one["answer"]] += 1
    rows = [[truth, sum(counts[truth].values()), ", ".join(
        f"{answer} {count}" for answer, count in counts[truth].most_common())]
        for truth in sorted(counts)]
    return table(["true", "cases", "answers"], rows)


def main_part(bench, count, seed):
    results = bench.judge([(seed + index, run_cases.fault_of(seed + index, None))
                           for index in range(count)])
    found = score.summary(results)
    width, speed = found["width_s"] or {}, found["rpm_error"] or {}
    rows = [["visible faults named", percent(found["sensitivity"])],
            ["healthy, a fault named (false alarms)", percent(found["false-alarms"])],
            ["hidden faults not named", percent(found["hidden-right"])],
            ["hidden faults: the missing channel told", percent(found["hidden-told"])],
            ["named faults on the right circuit", percent(found["circuit"])],
            ["right faults on the right channel and sensor", percent(found["place"])],
            ["the interval contains the onset", percent(found["contained"])],
            ["it is no wider than one due period of the sensor", percent(found["narrow"])],
            ["outcome of the attempt", percent(found["outcome"])],
            ["*shown* was right", percent(found["shown-right"])],
            ["*likely* was right", percent(found["likely-right"])],
            ["*cannot-tell*: its candidate was right", percent(found["candidate-right"])]]
    lines = [f"{count} cases, seeds {seed} to {seed + count - 1}. "
             "Shares with exact (Clopper-Pearson) 95 % bounds.", ""]
    lines += table(["what", "share"], rows)
    if width:
        lines += [f"Width of the onset's interval: median {1000 * width['median']:.2f} ms, "
                  f"greatest {width['greatest']:.3f} s.", ""]
    if speed:
        lines += [f"Cranking speed, told in {speed['told']} attempts: median error "
                  f"{100 * speed['median']:.2f} %, 95 % of them within {100 * speed['p95']:.1f} %.",
                  ""]
    lines += ["## By fault", ""]
    lines += table(["fault", "found"], [[name, percent(value)]
                                        for name, value in found["by_fault"].items()])
    lines += ["## Healthy look-alikes, a fault named all the same", ""]
    lines += table(["look-alike", "named"], [[name, percent(value)] for name, value
                                             in found["by_look_alike"].items()])
    return lines + ["## Truth and answer", ""] + confusion(results)


def sweeps(bench, seed, each):
    volts, milli = "{} V".format, lambda seconds: f"{1000 * seconds:g} ms"
    lines = ["## How small a fault is still found", "",
             f"Share found of {each} cases a cell, seeds {seed} to {seed + each - 1}, 10 kS/s and "
             "12 bits unless said. Limits are the defaults of [limits.md](limits.md).", ""]
    lines += ["### A single dip of a 5 V feed while cranking, depth by duration", ""]
    lines += grid(bench, "feed-dip", DIP_VOLTS, DIP_SECONDS, seed, each, ("depth", volts, milli))
    lines += ["### A return that stands high from key-on", ""]
    lines += line(bench, "return-level", RETURN_VOLTS, seed, each, "level", volts)
    for kind, told in (("missing-pulses", "given in the hookup"),
                       ("missing-untold", "not given: one pulse alone is not claimed")):
        lines += [f"### Pulses missing from a 36-1 wheel, in a row by how often; it is {told}", ""]
        lines += grid(bench, kind, MISSING, MISSING_TIMES, seed, each,
                      ("in a row", str, "{} times".format))
    lines += ["### Samples a second: a feed that collapses", "",
              "Beside a 36-1 wheel at 130 to 240 rpm, as in the next.", ""]
    lines += line(bench, "feed-at-rate", RATES, seed, each, "samples a second")
    lines += ["### Samples a second: a signal that is lost", ""]
    lines += line(bench, "signal-at-rate", RATES, seed, each, "samples a second")
    lines += ["### Noise: a feed that collapses", ""]
    return lines + line(bench, "feed-in-noise", NOISE, seed, each, "times the usual noise")


def head():
    version = subprocess.run(["git", "-C", str(pathlib.Path(__file__).parent), "describe",
                              "--always", "--dirty"], capture_output=True, text=True, check=False)
    real = "with" if os.environ.get("CRANKTRAP_DATA") else "without"
    return ["# How right it is", "",
            "Made by `tests/truth/make_accuracy_page.py` from labelled cases that know nothing "
            "of the analysis ([tests/truth/README.md](../tests/truth/README.md)); "
            f"{real} edge recordings of real engines. Revision {version.stdout.strip() or '?'}. "
            "No run on a real vehicle is claimed: these are computed vehicles.", "",
            "A fault counts as found when it is named, *shown* or *likely*. Severity is well "
            "beyond the limits in the first part, and chosen in the second.", ""]


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--seed", type=int, required=True, help="that no tuning has seen")
    parser.add_argument("--each", type=int, default=20, help="cases a cell of the sweeps")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--cranktrap", metavar="BIN", default="build/bin/cranktrap")
    page = pathlib.Path(__file__).parents[2] / "docs/accuracy.md"
    parser.add_argument("--out", default=str(page))
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="truth-") as folder, \
            multiprocessing.Pool(given.jobs) as pool:
        bench = Bench(given.cranktrap, pool, folder)
        lines = head() + main_part(bench, given.count, given.seed)
        lines += sweeps(bench, given.seed, given.each)
    pathlib.Path(given.out).write_text("\n".join(lines).rstrip() + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
