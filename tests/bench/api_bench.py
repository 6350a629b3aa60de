#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""api_bench.py - a night on the screen, by the real daemon while it records.

usage: python3 tests/bench/api_bench.py [--json] [--seconds N] [--listen N] [BIN]

Makes the ring of N seconds (12 h unless said) of 8 inputs at 10,000 scans/s, starts the daemon on it
with a simulated board of the same kind, and measures: the strip's first paint, any zoom of it, draws of
a snapshot, and what 20 pages cost that take the live stream (for --listen N seconds, 20 unless said).
BIN holds the programs, build/bin unless said, of a Release build. Times are a client's, from asking
to the last byte, and beside them the processor time of the daemon. Exit status 1 where a scan was lost or an answer was wrong. Needs 1.5 GB in TMPDIR or /tmp.
"""
import collections
import http.client
import json
import os
import pathlib
import random
import select
import shutil
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time

ROOT = pathlib.Path(__file__).resolve().parents[2]
PATIENCE_S = 120
COLUMNS, PAGES, ROUNDS = 1000, 20, 15
CHANNELS = ("battery", "feed", "ground", "signal", "second", "clamp", "run", "supply")
ROLES = ("battery", "feed", "return", "signal", "signal", "starter-current", "ignition", "supply")
HOOKUP = "[vehicle]\nname = parcel van, bay 2\nground = battery-negative\n" \
    "[board logger]\ndriver = sim\nrate = 10000\ninputs = 8\n" + "".join(
        f"[channel {name}]\nboard = logger\ninput = {number}\nrole = {role}\n"
        + ("amps-per-volt = 200\n" if role == "starter-current" else "")
        for number, (name, role) in enumerate(zip(CHANNELS, ROLES)))


class Wrong(Exception):
    """An answer that is none, or not what it should be."""


class Time(collections.namedtuple("Time", "wall cpu")):
    """By the clock, as who asks sees it; and of the daemon's processor, whatever else the computer does."""


class Daemon:
    """The real one on a folder that holds a ring; answers over its Unix socket."""

    def __init__(self, programs, folder):
        self.folder, self.socket = folder, None
        (folder / "van.hookup").write_text(HOOKUP)
        self.log = open(folder / "daemon.log", "wb")
        self.process = subprocess.Popen(
            [programs / "cranktrapd", "--hookup", folder / "van.hookup", "--state", folder / "state"],
            stdin=subprocess.DEVNULL, stdout=self.log, stderr=self.log)

    def ask(self, path, method="GET", body=None):
        """The answer's JSON, and the Time it took."""
        if not self.socket:
            self.socket = http.client.HTTPConnection("cranktrap", timeout=PATIENCE_S)
            self.socket.sock = connected(self.folder)
        cpu_s, begin = self.cpu_s(), time.monotonic()
        self.socket.request(method, path, body)
        answer = self.socket.getresponse()
        data = answer.read()
        taken = Time(time.monotonic() - begin, self.cpu_s() - cpu_s)
        if answer.status >= 400:
            raise Wrong(f"{path}: {answer.status} {data[:200]}")
        return json.loads(data), taken

    def scans(self):
        try:
            return self.ask("/v0/status")[0]["boards"][0]["scans"]
        except OSError:
            self.socket = None
            return 0

    def cpu_s(self):
        """Of all its threads, by the scheduler's clock; children of it apart."""
        total = 0
        for path in pathlib.Path(f"/proc/{self.process.pid}/task").glob("*/schedstat"):
            total += int(path.read_text().split()[0])
        return total * 1e-9

    def memory_mib(self):
        text = pathlib.Path(f"/proc/{self.process.pid}/status").read_text()
        return int(text.split("VmHWM:")[1].split()[0]) / 1024

    def stop(self):
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        status = self.process.wait(PATIENCE_S)
        self.log.close()
        return status


def connected(folder):
    made = socket.socket(socket.AF_UNIX)
    made.settimeout(PATIENCE_S)
    made.connect(str(folder / "state" / "cranktrap.sock"))
    return made


def until(condition, what):
    deadline = time.monotonic() + PATIENCE_S
    while not condition():
        if time.monotonic() > deadline:
            raise Wrong(f"waited in vain for {what}")
        time.sleep(0.05)


def draw(daemon, where, from_s, to_s, columns=COLUMNS):
    """One stretch drawn: its answer and its Time. No column may be empty."""
    path = f"/v0/{where}/draw?from_s={from_s:.6f}&to_s={to_s:.6f}&columns={columns}"
    drawn, taken = daemon.ask(path)
    for channel in drawn["channels"]:
        if len(drawn["channels"]) != len(CHANNELS) or not channel["low"] or None in channel["low"]:
            raise Wrong(f"{path}: a hole in {channel['name']}")
    return drawn, taken


def extremes(drawn):
    return [(min(c["low"]), max(c["high"])) for c in drawn["channels"]]


def figures(times):
    return {"median_s": statistics.median(t.wall for t in times), "most_s": max(t.wall for t in times),
            "cpu_s": statistics.median(t.cpu for t in times)}


def zooms(daemon, where, from_s, to_s, spans):
    """Each span at places of the stretch, by chance but always the same."""
    places = random.Random(1)
    views = []
    for span in spans:
        times = []
        for _ in range(ROUNDS):
            begin = places.uniform(from_s, to_s - span)
            times.append(draw(daemon, where, begin, begin + span)[1])
        views.append({"seconds": span, **figures(times)})
    return views


def check_night(daemon, night):
    """One second that is there again and again: each column has its extremes, and so have its samples
    that are decoded."""
    whole = draw(daemon, "ring", night["from_s"], night["to_s"], 100)[0]
    expected = extremes(whole)
    for channel, (low, high) in zip(whole["channels"], expected):
        if set(channel["low"]) != {low} or set(channel["high"]) != {high}:
            raise Wrong(f"{channel['name']}: the columns of one and the same second differ")
    begin = int((night["to_s"] - night["from_s"]) / 2) + night["from_s"]
    if extremes(draw(daemon, "ring", begin, begin + 1)[0]) != expected:
        raise Wrong("a second decoded has other extremes than its summary")


def first_paint(daemon, night):
    """What the page asks before the strip stands there, one after the other."""
    parts = [("status", daemon.ask("/v0/status")[1]), ("attempts", daemon.ask("/v0/attempts")[1]),
             ("strip", draw(daemon, "ring", night["from_s"], night["to_s"])[1]),
             ("marks", daemon.ask(f"/v0/ring/marks?from_s={night['from_s']:.3f}&to_s={night['to_s']:.3f}")[1])]
    return {"wall_s": sum(time.wall for _, time in parts), "cpu_s": sum(time.cpu for _, time in parts),
            "parts": [{"part": name, "wall_s": time.wall, "cpu_s": time.cpu} for name, time in parts]}


def listen(daemon, seconds, pages):
    """Processor time of the daemon while so many pages take the live stream; and their events."""
    daemon.socket = None  # it may stay silent for longer than a connection may
    streams = [connected(daemon.folder) for _ in range(pages)]
    events = 0
    for stream in streams:
        stream.sendall(b"GET /v0/live HTTP/1.1\r\nHost: cranktrap\r\n\r\n")
    begin, cpu = time.monotonic(), daemon.cpu_s()
    while time.monotonic() < begin + seconds:
        for stream in select.select(streams, [], [], 0.1)[0]:
            events += stream.recv(1 << 16).count(b"event: now")
    percent = 100 * (daemon.cpu_s() - cpu) / (time.monotonic() - begin)
    for stream in streams:
        stream.close()
    return percent, events


def live(daemon, seconds):
    """Beside it the same time without anybody; with pages once more, for the board's own work varies."""
    without, _ = listen(daemon, seconds, 0)
    with_pages, events = listen(daemon, seconds, PAGES)
    again, _ = listen(daemon, seconds, 0)
    if events < PAGES * seconds:  # twice a second, and some patience
        raise Wrong(f"{PAGES} pages had {events} readings in {seconds} s")
    return {"pages": PAGES, "seconds": seconds, "events": events,
            "core_percent": with_pages - (without + again) / 2, "without_core_percent": (without + again) / 2}


def snapshot(daemon, night, before_s):
    """A snapshot of so much of the night, and draws of it."""
    wish = {"at_s": night["to_s"] - 10, "before_s": before_s, "after_s": 0}
    number = daemon.ask("/v0/keep", "POST", json.dumps(wish))[0]["number"]
    until(lambda: daemon.ask(f"/v0/snapshots/{number}?wait=60")[0]["finished"], "the snapshot")
    where = f"snapshots/{number}"
    first, first_time = draw(daemon, where, 1, before_s - 1)
    part, _ = draw(daemon, where, before_s / 2, before_s / 2 + 10)
    whole = extremes(first)
    if any(low < whole[i][0] or high > whole[i][1] for i, (low, high) in enumerate(extremes(part))):
        raise Wrong("ten seconds of the snapshot have extremes that the whole of it has not")
    spans = [span for span in (before_s - 2, 600, 60, 10, 1, 0.1) if span < before_s - 1]
    return {"seconds": before_s, "first_s": first_time.wall, "first_cpu_s": first_time.cpu,
            "views": zooms(daemon, where, 0.5, before_s - 0.5, spans)}


def measure(programs, seconds=43200, listen_s=20):
    """All of it: a JSON object; Wrong where an answer is."""
    folder = pathlib.Path(tempfile.mkdtemp(prefix="cranktrap-bench-"))
    daemon = None
    try:
        made = subprocess.run([programs / "cranktrap-bench", "night", folder / "state", str(seconds)],
                              capture_output=True, check=True, timeout=600)
        night = json.loads(made.stdout)
        daemon = Daemon(programs, folder)
        until(lambda: daemon.scans() > 0 or daemon.process.poll() is not None, "the daemon")
        if daemon.process.poll() is not None:
            raise Wrong("the daemon ended: " + (folder / "daemon.log").read_text())
        check_night(daemon, night)
        found = {"schema": "cranktrap.bench-api/1", "inputs": night["inputs"], "rate_hz": night["rate_hz"],
                 "seconds": seconds, "ring_bytes": night["ring_bytes"], "columns": COLUMNS}
        found["paint"] = first_paint(daemon, night)
        found["zooms"] = zooms(daemon, "ring", night["from_s"], night["to_s"],
                               [s for s in (43200, 3600, 600, 60, 10, 1, 0.1) if s <= seconds])
        found["live"] = live(daemon, listen_s)
        found["snapshots"] = [snapshot(daemon, night, length) for length in (40, 3600) if length < seconds - 10]
        status = daemon.ask("/v0/status")[0]
        board = status["boards"][0]
        found["scans"] = board["scans"]
        found["scans_lost"] = board["scans_lost"] + status["memory_ring"]["scans_lost"]
        found["losses_of_unknown_size"] = board["losses_of_unknown_size"]
        found["peak_mib"] = daemon.memory_mib()
        return found
    finally:
        if daemon:
            daemon.stop()
        shutil.rmtree(folder, ignore_errors=True)


def view_line(view):
    return (f"  {view['seconds']:>7g} s  {1e3 * view['median_s']:6.1f} ms ({1e3 * view['cpu_s']:.1f} of the "
            f"processor), at most {1e3 * view['most_s']:.1f} ms")


def lines(found):
    paint, stream = found["paint"], found["live"]
    yield (f"night: {found['seconds'] / 3600:g} h of {found['inputs']} inputs at {found['rate_hz']} scans/s, "
           f"{found['ring_bytes'] / 2**20:.0f} MiB, {found['columns']} columns, while the daemon records as much")
    parts = ", ".join(f"{part['part']} {1e3 * part['wall_s']:.1f}" for part in paint["parts"])
    yield (f"  first paint {1e3 * paint['wall_s']:.1f} ms ({1e3 * paint['cpu_s']:.1f} of the processor, the child "
           f"that lists apart): {parts}")
    yield from map(view_line, found["zooms"])
    for kept in found["snapshots"]:
        yield (f"snapshot of {kept['seconds']} s: first drawn in {1e3 * kept['first_s']:.1f} ms "
               f"({1e3 * kept['first_cpu_s']:.1f} of the processor)")
        yield from map(view_line, kept["views"])
    yield (f"live stream to {stream['pages']} pages: {stream['core_percent']:.2f} % of a core (the daemon without "
           f"them {stream['without_core_percent']:.1f} %)")
    yield (f"{found['scans']} scans, {found['scans_lost']} lost, {found['losses_of_unknown_size']} losses of unknown "
           f"size; at most {found['peak_mib']:.0f} MiB")


def rows(found):
    """For docs/performance.md: [what, figure], as performance.py puts into its tables."""
    paint, stream, zoom = found["paint"], found["live"], max(found["zooms"], key=lambda view: view["cpu_s"])
    made = [["first paint of the strip (aim: 300 ms)", f"{1e3 * paint['wall_s']:.0f} ms, {1e3 * paint['cpu_s']:.0f} "
             "of the daemon's processor"],
            ["any zoom (aim: 100 ms)", f"{1e3 * max(view['median_s'] for view in found['zooms']):.0f} ms, "
             f"{1e3 * zoom['cpu_s']:.0f} of the processor"]]
    for kept in found["snapshots"]:
        slowest = max(kept["views"], key=lambda view: view["cpu_s"])
        made.append([f"a snapshot of {kept['seconds']} s: first draw; any zoom", f"{1e3 * kept['first_s']:.0f} ms; "
                     f"{1e3 * slowest['median_s']:.0f} ms, {1e3 * slowest['cpu_s']:.0f} of the processor"])
    made.append([f"live stream of 8 channels to {stream['pages']} pages (aim: 5 %)",
                 f"{stream['core_percent']:.2f} % of a core"])
    made.append(["scans lost meanwhile", f"{found['scans_lost']} of {found['scans'] + found['scans_lost']}"])
    return made


def main(arguments):
    options = {"--seconds": 43200, "--listen": 20}
    as_json, words = False, list(arguments)
    programs = ROOT / "build" / "bin"
    while words:
        word = words.pop(0)
        if word == "--json":
            as_json = True
        elif word in options and words and words[0].isdigit():
            options[word] = int(words.pop(0))
        elif word.startswith("-"):
            sys.exit(__doc__.strip())
        else:
            programs = pathlib.Path(word)
    try:
        found = measure(programs.resolve(), options["--seconds"], options["--listen"])
    except Wrong as wrong:
        sys.exit(f"api_bench.py: {wrong}")
    print(json.dumps(found) if as_json else "\n".join(lines(found)))
    return 1 if found["scans_lost"] or found["losses_of_unknown_size"] else 0


if __name__ == "__main__":
    os.umask(0o077)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # tidies up all the same
    sys.exit(main(sys.argv[1:]))
