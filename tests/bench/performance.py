#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""performance.py - measures everything that docs/performance.md tells, and writes it there.

usage: python3 tests/bench/performance.py [--long] [BENCH]

BENCH is build/bin/cranktrap-bench of a Release build unless said. --long: the paced source for 5
minutes instead of 10 s. Needs 2 GB in TMPDIR or /tmp (--long: 5 GB), and for the disk that stands
still root and a loop device. Only what stands between the two `measured` comments of the page is
replaced, and the plots beside it (docs/performance-*.svg).
"""
import datetime
import json
import os
import pathlib
import platform
import subprocess
import sys

import api_bench
import plot

ROOT = pathlib.Path(__file__).resolve().parents[2]
PAGE = ROOT / "docs" / "performance.md"
BEGIN, END = "<!-- measured: begin -->\n", "<!-- measured: end -->\n"


# The disk stands still: seconds, MB/s of the source (0.16: 8 inputs at 10,000 scans/s), memory ring
# (none: what the daemon gives it).
STALLS = [("10", "0.16", []), ("60", "0.16", ["--memory-mib", "1"]), ("10", "60", []),
          ("60", "60", [])]


def measure(bench, *arguments):
    """The part's answer; a lost scan is an exit status of 1, and shows in the answer."""
    done = subprocess.run([str(bench), *arguments, "--json"], capture_output=True, text=True,
                          timeout=900, check=False)
    try:
        return json.loads(done.stdout)
    except ValueError:
        sys.exit(f"{bench} {' '.join(arguments)}: {done.stderr.strip() or 'no answer'}")


def table(head, rows):
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return "\n".join(lines + ["| " + " | ".join(row) + " |" for row in rows]) + "\n"


def machine(before):
    model = "?"
    for line in open("/proc/cpuinfo", encoding="utf-8"):
        if line.startswith("model name"):
            model = line.split(":", 1)[1].strip()
            break
    return (f"{datetime.date.today():%-d %B %Y}; {os.cpu_count()} cores of {model}, "
            f"{platform.system()} {platform.release()}. Load average before and after: "
            f"{before:.1f}, {os.getloadavg()[0]:.1f}; other work on the computer makes figures "
            "larger.\n")


def ms(seconds):
    return f"{1e3 * seconds:.1f} ms"


def aims(path, report, lasting, draw, opened, paced):
    views = {view["seconds"]: view for view in draw["views"]}
    return table(["aim", "measured"], [
        ["8 channels at 10,000 scans/s: less than 1 % of a core (without a port)",
         f"{path['core_percent']:.2f} %"],
        ["the same: at most 24 MiB of memory", f"{path['peak_mib']:.1f} MiB"],
        ["the report of a record of 40 s of it: less than 0.5 s", f"{report['cpu_s']:.2f} s"],
        ["the report of ten minutes at 50,000 scans/s: less than 5 s",
         f"{lasting['cpu_s']:.2f} s for {lasting['record_s']:.0f} s"],
        ["a night of 12 h of it, opened and drawn at 1000 columns: less than 20 ms, warm",
         ms(views[43200]["warm_s"])],
        ["any second of that night, decoded: less than 5 ms", ms(views[1]["warm_s"])],
        ["a ring of 2000 segments opened: less than 50 ms, warm", ms(opened["daemon_s"])],
        [f"60 MB/s of 16-bit samples, paced, for {paced['seconds']:.0f} s on one core: nothing "
         "lost", f"{paced['scans_lost']} of {paced['scans'] + paced['scans_lost']} scans lost, "
         f"{paced['core_percent']:.0f} % of a core"],
    ])


def path_table(path):
    samples = path["scans"] * path["inputs"]
    return table(["path, 8 inputs, 120 s of scans", ""], [
        ["one core takes", f"{path['scans_per_s'] / 1e6:.2f} million scans/s: "
         f"{1e9 * path['cpu_s'] / samples:.0f} ns a sample"],
        ["resident, at most", f"{path['peak_mib']:.1f} MiB"],
        ["stored", f"{8 * path['bytes_stored'] / samples:.2f} bits a sample"],
        ["beside a copy of the bytes", f"{path['cpu_s'] / path['copy_s']:.0f} times its time"],
        ["beside zlib -1 of the bytes", f"{path['cpu_s'] / path['zlib_1_s']:.1f} times its time"],
    ])


def paced_table(paced):
    samples = 8 * paced["scans"]
    return table(["paced, 60 MB/s: 8 inputs at 3,750,000 scans/s", ""], [
        ["for", f"{paced['seconds']:.0f} s"],
        ["scans received, lost", f"{paced['scans']}, {paced['scans_lost']}"],
        ["processor", f"{paced['core_percent']:.0f} % of a core, {paced['ns_per_sample']:.1f} ns "
         "a sample"],
        ["byte ring, memory ring, full at most", f"{100 * paced['byte_ring_full']:.0f} %, "
         f"{100 * paced['memory_ring_full']:.0f} %"],
        ["resident, at most", f"{paced['peak_mib']:.0f} MiB (60 of them the byte ring's second)"],
        ["to disk", f"{paced['bytes_written'] / paced['seconds'] / 1e6:.1f} MB/s, "
         f"{8 * paced['bytes_written'] / samples:.2f} bits a sample"],
        ["beside it: a plain write of the bytes", f"{paced['write_core_percent']:.1f} % of a core"],
        ["beside it: zlib -1 of the bytes", f"{paced['zlib_1_core_percent']:.0f} % of a core"],
    ])


def stall_table(stalls):
    rows = []
    for stall in stalls:
        where = (f"; from {stall['lost_from_s']:.1f} to {stall['lost_to_s']:.1f} s after the disk "
                 "had stopped") if stall["losses"] else ""
        rows.append([f"{stall['stood_s']:.0f} s", f"{stall['bytes_per_s'] / 1e6:g} MB/s",
                     f"{stall['memory_bound'] / 2**20:.0f} MiB, "
                     f"{100 * stall['memory_full']:.0f} % full",
                     f"{stall['scans_sent']}", f"{stall['scans_on_disk']}",
                     f"{stall['scans_lost']}, counted {stall['scans_counted_lost']}{where}",
                     f"{stall['scans_lost_otherwise']}",
                     "yes" if stall["exact"] else "**no**"])
    return table(["the disk stood still for", "source", "memory ring", "scans sent", "on the disk",
                  "lost to the disk", "for want of the processor", "each accounted for"], rows)


def usb_table(usb):
    return table(["usb, 8 inputs of 16 bits, from queued transfers to the disk, one core", ""], [
        ["as fast as it goes (aim: 60 MB/s)", f"{usb['mb_per_s']:.0f} MB/s; "
         f"{usb['mb_per_cpu_s']:.0f} MB a second of processor time; {usb['scans_lost']} scans "
         "lost"],
        ["beside it: the bytes copied to the disk", f"{usb['copy_to_disk_mb_per_s']:.0f} MB/s: "
         f"{usb['mb_per_s'] / usb['copy_to_disk_mb_per_s']:.2f} of that"],
        ["8 at 10,000 scans/s over USB", f"{usb['bulk_core_percent']:.2f} % of a core; the port "
         f"thread at most {usb['bulk_away_ms']:.1f} ms away from its port"],
        ["the same over a terminal", f"{usb['serial_core_percent']:.2f} % of a core; at most "
         f"{usb['serial_away_ms']:.1f} ms away"],
    ])


def stages_table(stages):
    rows = [[stage["stage"], f"{stage['ns_per_sample']:.2f} ns",
             f"{stage['cycles_per_sample']:.1f}"] for stage in stages["stages"]]
    return table([f"stage, 16 bits, 8 inputs, {stages['ghz']:.2f} GHz", "a sample", "cycles"], rows)


def draw_table(draw):
    names = {43200: "12 h", 3600: "1 h", 60: "1 min",
             10: "10 s (columns narrower than a summary's row: ten blocks are decoded)", 1: "1 s"}
    rows = [[names[view["seconds"]], ms(view["warm_s"]), ms(view["cold_s"])]
            for view in draw["views"]]
    rows.append(["beside it: a write of 16 MiB", ms(draw["write_s"]), ""])
    rows.append(["beside it: zlib -1 of them", ms(draw["zlib_1_s"]), ""])
    return table([f"draw, 8 inputs, 1000 columns, {draw['ring_bytes'] / 2**20:.0f} MiB", "warm",
                  "cold"], rows)


def open_table(opened):
    return table([f"open, {opened['segments']} segments", "warm"], [
        ["by the daemon", ms(opened["daemon_s"])],
        ["to be drawn", ms(opened["look_s"])],
        ["to be drawn, without a catalogue", ms(opened["rebuilt_s"])],
    ])


SWEEPS = {
    "channels": ("channels", "one board, 640,000 samples/s in all", "channels"),
    "rate": ("samples_per_s", "one board, 8 channels", "samples a second in all"),
    "boards": ("boards", "8 channels each, 640,000 samples/s in all", "boards"),
}


def rates_plots(rates):
    """A plot a sweep, and a table of all."""
    for sweep, (key, title, label) in SWEEPS.items():
        setups = [setup for setup in rates["setups"] if setup["sweep"] == sweep]
        points = [(setup[key], setup["ns_per_sample"]) for setup in setups]
        marks = None if sweep == "rate" else {x: f"{x:g}" for x, _ in points}
        draw = plot.log_log(f"What a sample costs: {title}", label, "ns of a core", {"": points}, marks)
        (PAGE.parent / f"performance-{sweep}.svg").write_text(draw, encoding="utf-8")
    rows = [[f"{setup['boards']}", f"{setup['channels']}", f"{setup['samples_per_s']:,.0f}",
             f"{setup['ns_per_sample']:,.0f} ns", f"{setup['core_percent']:.3f} %",
             f"{setup['bits_per_sample']:.2f}"] for setup in rates["setups"]]
    pictures = "".join(f"![What a sample costs: {title}](performance-{sweep}.svg)\n"
                       for sweep, (_, title, _) in SWEEPS.items())
    return table(["boards", "channels", "samples/s in all", "a sample", "of a core",
                  "bits a sample on the disk"], rows) + "\n" + pictures


AGES = {3600: "1 h", 21600: "6 h", 86400: "1 d", 604800: "7 d", 2592000: "30 d"}


def age_plot(age):
    lines = {"opened by the daemon": "daemon_s", "opened to be drawn": "look_s",
             "all of it drawn": "whole_s", "its last hour drawn": "hour_s",
             "a block, pruning": "append_s"}
    draw = plot.log_log("Rings from an hour to a month", "age", "ms", {
        name: [(ring["age_s"], 1e3 * ring[key]) for ring in age["ages"]]
        for name, key in lines.items()}, AGES)
    (PAGE.parent / "performance-age.svg").write_text(draw, encoding="utf-8")
    rows = [[AGES[ring["age_s"]], f"{ring['segments']}", ms(ring["daemon_s"]), ms(ring["look_s"]),
             ms(ring["whole_s"]), ms(ring["hour_s"]), ms(ring["minute_s"]),
             f"{1e6 * ring['append_s']:.1f} us"] for ring in age["ages"]]
    return table(["age", "segments", "opened by the daemon", "to be drawn", "all of it drawn",
                  "its last hour", "its last minute", "a block appended, pruning"], rows) + \
        "\n![Rings from an hour to a month](performance-age.svg)\n"


def report_table(report):
    return table([f"report, {report['record_s']:.0f} s of 8 inputs at {report['rate_hz']:,} scans/s",
                  ""], [
        ["time", f"{report['cpu_s']:.3f} s of the processor, {report['wall_s']:.3f} s by the "
         "clock"],
        ["beside a copy of the samples", f"{report['cpu_s'] / report['copy_s']:.0f} times its "
         "time"],
        ["beside zlib -1 of the samples", f"{report['cpu_s'] / report['zlib_1_s']:.1f} times its "
         "time"],
    ])


def main(arguments):
    long_form = "--long" in arguments
    words = [word for word in arguments if word != "--long"]
    if len(words) > 1 or any(word.startswith("-") for word in words):
        sys.exit(__doc__.strip())
    bench = pathlib.Path(words[0] if words else ROOT / "build" / "bin" / "cranktrap-bench").resolve()
    before = os.getloadavg()[0]
    path = measure(bench, "path")
    paced = measure(bench, "path", "--paced", "--seconds", "300" if long_form else "10")
    stalls = [measure(bench, "stall", "--seconds", seconds, "--mb-per-s", rate, *memory)
              for seconds, rate, memory in STALLS]
    usb = measure(bench, "usb")
    stages = measure(bench, "stages")
    draw = measure(bench, "draw")
    opened = measure(bench, "open")
    report = measure(bench, "report")
    lasting = measure(bench, "report", "--long")
    rates = measure(bench, "rates")
    age = measure(bench, "age")
    screen = api_bench.measure(bench.parent, 43200, 20)
    measured = "\n".join([machine(before), aims(path, report, lasting, draw, opened, paced),
                          path_table(path), paced_table(paced), stall_table(stalls),
                          usb_table(usb), stages_table(stages), rates_plots(rates),
                          draw_table(draw), open_table(opened), age_plot(age),
                          table(["12 h on the screen, by the daemon while it records", ""],
                                api_bench.rows(screen)),
                          report_table(report), report_table(lasting)])
    page = PAGE.read_text(encoding="utf-8")
    front, rest = page.split(BEGIN, 1)
    behind = rest.split(END, 1)[1]
    PAGE.write_text(front + BEGIN + measured + END + behind, encoding="utf-8")
    print(f"{PAGE}: written")


if __name__ == "__main__":
    main(sys.argv[1:])
