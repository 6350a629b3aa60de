#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""Whoever reads beside it costs no scan: clients that do not take their answer, a report, a
conversion of all that the ring has."""
import json
import pathlib
import socket
import sys
import threading
import time

import harness

BOARD = "driver = sim\nrate = 4000\ninputs = 8\nhours = 2\nattempts = 1"


class Beside(harness.Case):
    def slow_reader(self, daemon, stop):
        """Asks for the status, takes the answer a byte at a time, and begins again."""
        while not stop.is_set():
            with socket.socket(socket.AF_UNIX) as client:
                client.connect(str(daemon.state / "cranktrap.sock"))
                client.sendall(b"GET /v0/status HTTP/1.1\r\nHost: cranktrap\r\n\r\n")
                while not stop.is_set() and client.recv(1):
                    time.sleep(0.02)

    def test_readers_cost_no_scan(self):
        daemon = self.daemon(harness.van(BOARD, "36-1", "ring = 64 MiB", "divider = 5.7"))
        daemon.start().ready()
        daemon.streaming()
        stop = threading.Event()
        self.addCleanup(stop.set)
        readers = [threading.Thread(target=self.slow_reader, args=(daemon, stop))
                   for _ in range(8)]
        for reader in readers:
            reader.start()
        time.sleep(2)
        kept = daemon.json("keep", "it did it now", "--before", "2s", "--after", "0.5s")
        before = daemon.board("logger")["scans"]
        for round_number in range(3):
            daemon.ask("report", kept["path"])
            out = self.folder / f"{round_number}.csv"
            harness.run("convert", *sorted((daemon.state / "ring").glob("*.ring")), "--out", out)
            self.assertGreater(out.stat().st_size, 100000)
        stop.set()
        for reader in readers:
            reader.join()
        status = daemon.status()
        board = status["boards"][0]
        self.assertGreater(board["scans"], before)
        self.assertEqual((board["scans_lost"], board["losses_of_unknown_size"]), (0, 0),
                         json.dumps(board))
        self.assertEqual(status["memory_ring"]["scans_lost"], 0)
        self.assertEqual(status["ring"]["scans_dropped"], 0)
        # 10 s are promised; the 8 MiB that are given unless said last longer at this rate.
        self.assertGreater(status["memory_ring"]["covers_s"], 10)
        self.assertIn("may stand still for", daemon.ask("status").stdout)
        # Levels with a little noise: less than a plain recording, more than a tenth of a bit each.
        self.assertTrue(0.01 < status["ring"]["written_per_raw_byte"] < 1)
        self.assertGreater(status["ring"]["syncs_per_minute"], 0)
        daemon.stop()


class Flushing(harness.Case):
    def test_a_trigger_is_flushed_at_once_until_it_is_saved(self):
        # A sync in 36 s as long as nothing happens: what it spares the flash.
        daemon = self.daemon(harness.van(BOARD, "36-1", "ring = 64 MiB\nloss-window = 60 s",
                                         "divider = 5.7")).start().ready()
        daemon.streaming()
        time.sleep(3)
        quiet = daemon.status()["ring"]["syncs"]
        self.assertLessEqual(quiet, 1)
        kept = daemon.json("keep", "it did it now", "--before", "1s", "--after", "20s")
        # Before it is saved, which syncs by itself.
        harness.until(lambda: daemon.status()["ring"]["syncs"] > quiet + 8, "a flush each moment", 18)
        harness.until(lambda: pathlib.Path(kept["path"]).exists(), "the snapshot")
        time.sleep(2)
        after = daemon.status()["ring"]["syncs"]
        time.sleep(5)
        self.assertLessEqual(daemon.status()["ring"]["syncs"], after + 1)
        daemon.stop()


if __name__ == "__main__":
    sys.exit(harness.main())
