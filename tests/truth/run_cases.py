#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""Makes labelled cases, has `cranktrap` judge them, and scores the answers. See README.md."""
import argparse
import json
import multiprocessing
import os
import pathlib
import subprocess
import sys
import tempfile

sys.path.insert(0, str(pathlib.Path(__file__).parent))
import board   # noqa: E402
import cases   # noqa: E402
import kinds   # noqa: E402
import score   # noqa: E402

HEALTHY_PLACES = [1, 4, 7]


def fault_of(seed, only):
    """The kind of a seed: three of ten are healthy look-alikes; all kinds take turns."""
    if only and (":" in only or only in kinds.KINDS):
        return only
    names = [name for name in kinds.KINDS if not only or only in name]
    if only:
        return names[seed % len(names)]
    healthy = [name for name in names if name.startswith("healthy")]
    sick = [name for name in names if not name.startswith("healthy")]
    tens, place = divmod(seed, 10)
    if place in HEALTHY_PLACES:
        return healthy[(3 * tens + HEALTHY_PLACES.index(place)) % len(healthy)]
    before = sum(one < place for one in HEALTHY_PLACES)
    return sick[(7 * tens + place - before) % len(sick)]


def ask(binary, *words):
    done = subprocess.run([binary, *map(str, words)], capture_output=True, text=True, timeout=120)
    if done.returncode != 0:
        raise RuntimeError(f"{words[0]}: exit {done.returncode}: {done.stderr or done.stdout}")
    return done.stdout


def judge(job):
    """One case, from its seed to its score; what goes wrong is part of the score."""
    binary, folder, seed, fault = job
    base = pathlib.Path(folder) / f"{seed}-{fault.replace(':', '-')}"
    paths = {kind: base.with_name(base.name + "." + kind) for kind in ("csv", "hookup", "crank")}
    case = cases.Case(seed, fault)
    board.write(case, paths["csv"], paths["hookup"])
    base.with_name(base.name + ".label.json").write_text(json.dumps(case.label, indent=1))
    try:
        ask(binary, "import", paths["csv"], "--hookup", paths["hookup"], "--out", paths["crank"])
        report = json.loads(ask(binary, "report", paths["crank"], "--json"))
    except (RuntimeError, ValueError, subprocess.TimeoutExpired) as problem:
        return score.failed(seed, fault, case, str(problem))
    base.with_name(base.name + ".report.json").write_text(json.dumps(report, indent=1))
    return score.score(seed, fault, case, report)


def judge_and_tidy(job):
    keep, binary, folder, seed, fault = job
    if keep:
        return judge((binary, keep, seed, fault))
    with tempfile.TemporaryDirectory(dir=folder) as own:
        return judge((binary, own, seed, fault))


def options():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=150)
    parser.add_argument("--seed", type=int, default=1, help="of the first case; the others follow")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--only", metavar="FAULT", help="cases whose name contains FAULT")
    parser.add_argument("--case", type=int, metavar="SEED",
                        help="this one alone (with the same --only)")
    parser.add_argument("--listed", metavar="FILE", type=pathlib.Path,
                        help="the cases of a list (once_wrong.txt), which must all be right")
    parser.add_argument("--keep", metavar="FOLDER", help="leave CSV, hookup, label, report there")
    parser.add_argument("--cranktrap", metavar="BIN",
                        default=os.environ.get("CRANKTRAP", "build/bin/cranktrap"))
    parser.add_argument("--json", action="store_true")
    for name, what in score.THRESHOLDS.items():
        parser.add_argument("--" + name, type=float, metavar="SHARE", help=what)
    given = parser.parse_args()
    if not os.access(given.cranktrap, os.X_OK):
        parser.error(f"{given.cranktrap}: no such program; name it with --cranktrap")
    return given


def listed(path):
    """Pairs of seed and kind. The edges of real engines are part of a case: without, it is another."""
    if not os.environ.get("CRANKTRAP_DATA"):
        print(f"NOT RUN: {path.name} (no recordings of real engines)")
        return []
    lines = [line.split(maxsplit=2) for line in path.read_text().splitlines()
             if line and not line.startswith("#")]
    return [(int(seed), fault_of(int(seed), None if only == "-" else only))
            for seed, only, _ in lines]


def main():
    given = options()
    if given.case is not None:
        given.count, given.seed, given.jobs = 1, given.case, 1
    if given.keep:
        pathlib.Path(given.keep).mkdir(parents=True, exist_ok=True)
    chosen = listed(given.listed) if given.listed else [
        (seed, fault_of(seed, given.only)) for seed in range(given.seed, given.seed + given.count)]
    if not chosen:
        return 0
    with tempfile.TemporaryDirectory(prefix="truth-") as folder:
        jobs = [(given.keep, given.cranktrap, folder, seed, fault) for seed, fault in chosen]
        with multiprocessing.Pool(given.jobs) as pool:
            results = pool.map(judge_and_tidy, jobs, chunksize=1)
    summary = score.summary(results)
    if given.json:
        print(json.dumps({"summary": summary, "cases": results}, indent=1))
    else:
        print(score.text(results, summary))
    wrong = [one for one in results if not score.is_right(one)]
    if given.listed and wrong:
        print(f"{len(wrong)} of the listed cases are wrong", file=sys.stderr)
        return 1
    limits = {name: getattr(given, name.replace("-", "_")) for name in score.THRESHOLDS}
    missed = score.missed(summary, {name: limit for name, limit in limits.items()
                                    if limit is not None})
    for line in missed:
        print(line, file=sys.stderr)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
