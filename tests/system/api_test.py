# SPDX-License-Identifier: Apache-2.0
"""api_test.py - the API over TCP, against the real daemon: what a page asks, what a stranger tries,
and that no scan is lost under all of it. docs/api.md."""
import http.client
import json
import os
import pathlib
import shutil
import socket
import subprocess
import time

import harness

SIM = """driver = sim
rate = 2000
pace = {pace}
hours = 20
begins = 2026-01-14T23:30:00
attempts = 11
fault = feed-collapse
fault-attempt = 8
seed = 2
wheel = 36-1
cylinders = 4
"""
REAL = "driver = sim\nrate = 2000\npace = {pace}\n"
BATTERY = "divider = 5.7"


def free_port():
    """One that nobody listens at just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


class ApiCase(harness.Case):
    def start(self, pace=50, sim=SIM):
        self.port = free_port()
        page = self.folder / "page"
        page.mkdir()
        (page / "index.html").write_text("<!doctype html><title>van</title>")
        (page / "main.js").write_text("export const van = 1;\n")
        (page / ".hidden.js").write_text("no")
        hookup = harness.van(sim.format(pace=pace), "36-1", "before = 2 s\nafter = 2 s", BATTERY)
        daemon = self.daemon(hookup, arguments=["--listen", f"127.0.0.1:{self.port}", "--page", str(page)])
        daemon.start().ready().streaming()
        self.begun_s = daemon.status()["elapsed_s"]
        return daemon

    def ask(self, path, method="GET", body=None, **headers):
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        connection.request(method, path, body, {k.replace("_", "-"): v for k, v in headers.items()})
        response = connection.getresponse()
        data = response.read()
        connection.close()
        return response.status, dict(response.getheaders()), data

    def json(self, path, *more, status=200, **headers):
        got, _, data = self.ask(path, *more, **headers)
        self.assertEqual(got, status, data[:300])
        return json.loads(data)

    def keep(self, daemon):
        """A snapshot, finished and analysed."""
        number = json.loads(daemon.ask("keep", "--before", "5s", "--after", "1s", "--json").stdout)["number"]
        harness.until(lambda: (daemon.state / "snapshots" / f"{number:04}.json").exists(), "its report")
        return number

    def open_files(self, daemon):
        """What the daemon's descriptors lead to; some may go meanwhile."""
        for descriptor in pathlib.Path(f"/proc/{daemon.process.pid}/fd").iterdir():
            try:
                yield os.readlink(descriptor)
            except FileNotFoundError:
                pass

    def lost_nothing(self, daemon):
        board = daemon.board("logger")
        self.assertEqual((board["scans_lost"], board["losses_of_unknown_size"]), (0, 0))
        self.assertEqual(daemon.status()["memory_ring"]["scans_lost"], 0)


class Asks(ApiCase):
    def test_page_and_door(self):
        daemon = self.start()
        status, headers, data = self.ask("/")
        self.assertEqual((status, data), (200, b"<!doctype html><title>van</title>"))
        self.assertIn("default-src 'none'", headers["Content-Security-Policy"])
        self.assertEqual(headers["X-Content-Type-Options"], "nosniff")
        self.assertEqual(self.ask("/", If_None_Match=headers["ETag"])[0], 304)
        self.assertIn("javascript", self.ask("/page/main.js")[1]["Content-Type"])
        for path in ("/page/.hidden.js", "/page/../vehicle.hookup", "/page/%2e%2e/vehicle.hookup",
                     "/page//etc/passwd", "/v0/snapshots/..%2f..%2fvehicle.hookup/file", "/nothing"):
            self.assertEqual(self.ask(path)[0], 404, path)
        self.assertEqual(self.ask("/v0/status", Host="evil.example")[0], 421)
        self.assertEqual(self.ask("/v0/status", Host=f"localhost:{self.port}")[0], 200)
        self.assertEqual(self.ask("/v0/latch", "POST", Origin="http://evil.example")[0], 403)
        self.assertEqual(self.ask("/v0/latch", "POST", Origin=f"http://127.0.0.1:{self.port}")[0], 200)
        self.assertEqual(self.ask("/v0/phone", "POST", "{}")[0], 403)
        self.assertEqual(self.ask("/v0/status", "POST", "{}")[0], 405)
        self.lost_nothing(daemon)
        daemon.stop()

    def test_snapshot(self):
        daemon = self.start(pace=5)
        self.assertEqual(self.json("/v0/attempts"), daemon.json("list"))
        number = self.keep(daemon)
        one = f"/v0/snapshots/{number}"
        status, headers, data = self.ask(one + "/file")
        self.assertEqual(data, (daemon.state / "snapshots" / f"{number:04}.crank").read_bytes())
        size, whole_file = len(data), data
        for asked, status, part in (("bytes=10-19", 206, data[10:20]), ("bytes=-7", 206, data[-7:]),
                                    (f"bytes={size - 3}-", 206, data[-3:]), ("bytes=5-2", 200, data),
                                    ("bytes=0-1,4-5", 200, data), ("pages=1", 200, data),
                                    (f"bytes={size}-", 416, b""), ("bytes=-0", 416, b"")):
            got, answer, body = self.ask(one + "/file", Range=asked)
            self.assertEqual((got, body), (status, part), asked)
        self.assertEqual(answer["Content-Range"], f"bytes */{size}")
        self.assertEqual(self.ask(one + "/file", If_None_Match=headers["ETag"])[0], 304)
        self.assertEqual(self.ask(one + "/file", Range="bytes=0-1", If_Range='"x"')[0], 200)
        _, headers, data = self.ask(one + "/report")
        self.assertEqual(json.loads(data)["schema"], "cranktrap.report/1")
        self.assertEqual(self.ask(one + "/report", If_None_Match=headers["ETag"])[0], 304)
        self.check_draw(daemon, number, json.loads(data))
        # What was said of it shows, and has another ETag.
        etag = self.ask("/v0/attempts")[1]["ETag"]
        self.json(one, "POST", json.dumps({"reviewed": True, "note": "seen"}))
        self.assertEqual(self.json("/v0/attempts", If_None_Match=etag)["attempts"][-1]["note"], "seen")
        # Removed while shown, and while somebody is fetching it: a clear answer from each, the rest of
        # the file to who has begun, and no descriptor that keeps its place on the disk.
        slow = socket.create_connection(("127.0.0.1", self.port), timeout=60)
        slow.sendall(f"GET {one}/file HTTP/1.0\r\nHost: 127.0.0.1:{self.port}\r\n\r\n".encode())
        fetched = slow.recv(100)
        self.json(one + "/draw?from_s=0.5")
        self.json(one, "DELETE")
        for what in ("", "/file", "/draw", "/draw?from_s=0.5", "/report", "/report.pdf", "/compare"):
            self.assertTrue(self.json(one + what, status=404)["error"], what)
        while piece := slow.recv(65536):
            fetched += piece
        slow.close()
        self.assertEqual(fetched[-size:], whole_file)
        harness.until(lambda: not any(name.endswith(".crank (deleted)") for name in self.open_files(daemon)),
                      "the removed file closed")
        self.lost_nothing(daemon)
        daemon.stop()

    def test_compare(self):
        """What `cranktrap compare` prints, by itself and beside one that is named."""
        daemon = self.start(pace="free", sim=SIM.replace("hours = 20", "hours = 0.1").replace(
            "attempts = 11", "attempts = 4").replace("fault-attempt = 8", "fault-attempt = 3"))
        harness.until(lambda: (daemon.state / "snapshots" / "0004.json").exists(), "the last report")
        one = "/v0/snapshots/3/compare"
        _, headers, data = self.ask(one)
        self.assertEqual(json.loads(data), daemon.json("compare", 3))
        self.assertEqual(json.loads(data)["first"]["number"], 3)
        self.assertEqual(self.ask(one, If_None_Match=headers["ETag"])[0], 304)
        self.assertEqual(self.json(one + "?with=4"), daemon.json("compare", 3, 4))
        self.json("/v0/snapshots/1", "POST", json.dumps({"good": True}))
        marked = self.json(one, If_None_Match=headers["ETag"])
        self.assertEqual((marked["chosen"], marked["second"]["number"]), ("marked-good", 1))
        for missing in ("/v0/snapshots/77/compare", one + "?with=77"):
            self.assertIn("no snapshot 77", self.json(missing, status=404)["error"])
        for with_ in ("0", "x", "-1", "1000000", ""):
            self.json(f"{one}?with={with_}", status=400)
        self.assertIn("no such snapshot", self.json("/v0/ready?crank=77", status=404)["error"])
        daemon.stop()

    def check_draw(self, daemon, number, report):
        """Against `convert`, which reads the file on its own: extremes and single samples."""
        path = self.folder / "rows.csv"
        daemon.ask("convert", number, "--out", path)
        rows = [l.split(",") for l in path.read_text().splitlines() if l and not l.startswith("#")]
        column = rows[0].index("battery") if "battery" in rows[0] else 1
        values = [(float(r[0]), float(r[column])) for r in rows[1:] if len(r) == len(rows[0])]
        whole = self.json(f"/v0/snapshots/{number}/draw?columns=50")
        battery = whole["channels"][0]
        self.assertEqual((battery["name"], len(battery["low"])), ("battery", 50))
        self.assertAlmostEqual(min(battery["low"]), min(v for _, v in values), places=3)
        self.assertAlmostEqual(max(battery["high"]), max(v for _, v in values), places=3)
        few = self.json(f"/v0/snapshots/{number}/draw?from_s=1&to_s=1.1&columns=1000&channels=battery")
        inside = [(t, v) for t, v in values if 1 <= t < 1.1]
        self.assertEqual(len(few["channels"]), 1)
        self.assertEqual(len(few["channels"][0]["t"]), len(inside))
        for t, low, (at, value) in zip(few["channels"][0]["t"], few["channels"][0]["low"], inside):
            self.assertAlmostEqual(t, at, places=5)
            self.assertAlmostEqual(low, value, places=3)
        # The ring has the same stretch, on the daemon's axis.
        zero = report["elapsed_s"]
        ring = self.json(f"/v0/ring/draw?from_s={zero}&to_s={zero + report['duration_s']}&columns=50")
        self.assertAlmostEqual(min(v for v in ring["channels"][0]["low"] if v is not None),
                               min(battery["low"]), delta=0.05)
        self.assertEqual(ring["losses"], [])
        for query in ("columns=0", "columns=4001", "columns=x", "from_s=2&to_s=1", "from_s=nan", "to_s=x"):
            self.json(f"/v0/snapshots/{number}/draw?{query}", status=400)
            self.json(f"/v0/ring/draw?{query}", status=400)

    def test_marks_and_hookup(self):
        daemon = self.start()
        self.json("/v0/notes", "POST", json.dumps({"text": "it did it now"}))
        self.json("/v0/clock", "POST", json.dumps({"utc_ms": 1768450327000}))
        self.assertEqual([m["name"] for m in self.json("/v0/ring/marks")["marks"]], ["note", "clock"])
        for body in ("", "[]", '{"text": ""}', '{"text": "x", "at_s": 1e12}', json.dumps({"text": "x" * 501})):
            self.json("/v0/notes", "POST", body, status=400)
        text = daemon.hookup.read_text()
        wrong = self.json("/v0/hookup/check", "POST", text.replace("role = feed", "role = food"))
        self.assertEqual(wrong["problems"][0]["section"], "channel crank-feed")
        etag = self.json("/v0/hookup")["etag"]
        fresh = text.replace("parcel van, bay 2", "parcel van, bay 3")
        self.json("/v0/hookup", "PUT", fresh, status=412, If_Match='"another"')
        self.json("/v0/hookup", "PUT", "nonsense", status=422, If_Match=etag)
        answer = self.json("/v0/hookup", "PUT", fresh, If_Match=etag)
        self.assertEqual((answer["problems"], answer["takes_effect"]), ([], "now"))

        def changed():
            try:
                return self.json("/v0/hookup")["vehicle"]["name"] == "parcel van, bay 3"
            except OSError:
                return False  # just while it changes
        harness.until(changed, "the changed hookup")
        self.assertEqual(daemon.hookup.read_text(), text)
        self.assertTrue(self.json("/v0/hookup")["copy"])
        self.lost_nothing(daemon)
        daemon.stop()

    def test_marks_of_before(self):
        """The record's marks and the reasons of its losses outlive the daemon that made them."""
        daemon = self.start(pace="real", sim=REAL)
        self.json("/v0/notes", "POST", json.dumps({"text": "before"}))
        daemon.stop()
        daemon.start().ready().streaming()
        self.json("/v0/notes", "POST", json.dumps({"text": "after"}))

        def texts():
            return [m["text"] for m in self.json("/v0/ring/marks")["marks"] if m["name"] == "note"]
        self.assertEqual(texts(), ["before", "after"])
        time.sleep(1.5)  # the mark is on the disk by now, too: it is listed once
        self.assertEqual(texts(), ["before", "after"])
        now_s = daemon.status()["elapsed_s"]

        def why():
            drawn = self.json(f"/v0/ring/draw?from_s={now_s - 60:.3f}&to_s={now_s:.3f}&columns=50")
            return [loss["reason"] for loss in drawn["losses"] if loss["reason"]]
        self.assertEqual(len(harness.until(why, "a reason")), 1)
        self.json("/v0/ring/marks?to_s=1e12", status=400)
        daemon.stop()

    def test_metrics(self):
        daemon = self.start()
        _, headers, data = self.ask("/metrics")
        self.assertTrue(headers["Content-Type"].startswith("text/plain; version=0.0.4"))
        text = data.decode()
        self.assertIn('cranktrap_board_scans_lost_total{board="logger"} 0\n', text)
        if shutil.which("promtool"):
            done = subprocess.run(["promtool", "check", "metrics"], input=data, capture_output=True,
                                  timeout=harness.PATIENCE_S, check=False)
            self.assertEqual(done.returncode, 0, done.stdout + done.stderr)
        # Exposition format 0.0.4: each family once, HELP and TYPE before its samples.
        families, named = set(), None
        for line in text.splitlines():
            if line.startswith("# HELP "):
                named = line.split()[2]
                self.assertNotIn(named, families)
                families.add(named)
            elif line.startswith("# TYPE "):
                self.assertEqual(line.split()[2], named)
                self.assertIn(line.split()[3], ("counter", "gauge"))
            else:
                self.assertRegex(line, rf'^{named}(\{{(\w+="[^"\n]*",?)+\}})? (NaN|[-+.e0-9]+)$')
        daemon.stop()


class Strangers(ApiCase):
    def test_live_slow_and_gone(self):
        daemon = self.start()
        before = self.memory(daemon)
        listeners = []
        for number in range(20):
            s = socket.create_connection(("127.0.0.1", self.port), timeout=60)
            s.sendall(f"GET /v0/live HTTP/1.1\r\nHost: 127.0.0.1:{self.port}\r\n\r\n".encode())
            listeners.append(s)
        for s in listeners[10:15]:
            s.close()  # vanish mid-stream; 15 to 20 never read
        for s in listeners[:10]:
            seen = b""
            while seen.count(b"event: now") < 3:
                piece = s.recv(65536)
                self.assertTrue(piece)
                seen += piece
            self.assertIn(b"event: status", seen)
        self.json("/v0/status")
        self.assertLess(self.memory(daemon) - before, 16 << 20)
        self.lost_nothing(daemon)
        daemon.stop()  # while they listen
        for s in listeners:
            s.close()

    def test_slow_file_readers(self):
        """Ask for a file and never read it, or go amid it: others get it, memory stays where it was."""
        daemon = self.start(pace=200)
        harness.until(lambda: daemon.status()["elapsed_s"] - self.begun_s > 700, "some minutes of record")
        daemon.ask("keep", "--before", "600s", "--after", "0s")
        path = daemon.state / "snapshots" / "0001.crank"
        harness.until(path.exists, "the snapshot")
        before = self.memory(daemon)
        readers = []
        for number in range(60):
            s = socket.create_connection(("127.0.0.1", self.port), timeout=60)
            s.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            s.sendall(f"GET /v0/snapshots/1/file HTTP/1.1\r\nHost: 127.0.0.1:{self.port}\r\n\r\n".encode())
            if number % 2:
                s.recv(1000)
                s.close()
            else:
                readers.append(s)
        self.assertEqual(self.ask("/v0/snapshots/1/file")[2], path.read_bytes())
        self.assertLess(self.memory(daemon) - before, 32 << 20)
        self.lost_nothing(daemon)
        for s in readers:
            s.close()
        daemon.stop()

    def test_too_much(self):
        daemon = self.start()
        before = self.memory(daemon)
        # A body of 1 GB: who announces it hears of it; who just sends it is cut off.
        s = socket.create_connection(("127.0.0.1", self.port), timeout=60)
        s.sendall(f"POST /v0/keep HTTP/1.1\r\nHost: 127.0.0.1:{self.port}\r\nContent-Length: 1073741824\r\n\r\n".encode())
        self.assertIn(b" 413 ", s.recv(4096))
        s.close()
        s = socket.create_connection(("127.0.0.1", self.port), timeout=60)
        s.sendall(f"POST /v0/keep HTTP/1.1\r\nHost: 127.0.0.1:{self.port}\r\nTransfer-Encoding: chunked\r\n\r\n".encode())
        sent = 0
        with self.assertRaises(OSError):
            while sent < 1 << 30:
                s.sendall(b"100000\r\n" + b"x" * 0x100000 + b"\r\n")
                sent += 0x100000
        s.close()
        self.assertLess(sent, 1 << 26)
        self.assertIn(self.ask("/v0/status", X_Long="x" * 60000)[0], (413, 431))
        # Two thousand connections that say nothing: the Unix socket answers all the same.
        idle = []
        for _ in range(2000):
            s = socket.socket()
            s.setblocking(False)
            s.connect_ex(("127.0.0.1", self.port))
            idle.append(s)
        self.assertIsNotNone(daemon.status())
        for s in idle:
            s.close()
        harness.until(lambda: self.ask("/v0/status")[0] == 200, "an answer over TCP again")
        self.assertLess(self.memory(daemon) - before, 64 << 20)
        self.lost_nothing(daemon)
        daemon.stop()

    def memory(self, daemon):
        return int(pathlib.Path(f"/proc/{daemon.process.pid}/statm").read_text().split()[1]) * 4096


if __name__ == "__main__":
    harness.main()
