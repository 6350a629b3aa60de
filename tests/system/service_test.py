#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""The daemon under a service manager: this file plays the manager (sd_notify(3), sd_listen_fds(3)),
and reloads the hookup under a stream."""
import os
import socket
import subprocess
import threading

import harness

SIM = "driver = sim\nrate = 2000"
STORAGE = "snapshots = 100 MiB"


class Manager:
    """Its notification socket; all lines that came."""

    def __init__(self, folder):
        self.path = str(folder / "notify")
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(self.path)
        self.lines = []
        threading.Thread(target=self.read, daemon=True).start()

    def read(self):
        """Always: who tells a manager waits for it."""
        while True:
            self.lines += self.socket.recv(4096).decode().splitlines()

    def told(self, beginning):
        """Waits for a line that begins so, and takes all lines up to it away."""
        def look():
            for number, line in enumerate(self.lines):
                if line.startswith(beginning):
                    del self.lines[:number + 1]
                    return line
            return None
        return harness.until(look, f"the manager to be told {beginning}")


class Service(harness.Case):
    def hookup(self, storage=STORAGE, board=SIM, more=""):
        return harness.van(board, "36-1", storage) + more

    def started(self, **more):
        manager = Manager(self.folder)
        os.environ["NOTIFY_SOCKET"] = manager.path
        self.addCleanup(os.environ.pop, "NOTIFY_SOCKET")
        daemon = self.daemon(self.hookup(**more)).start()
        manager.told("READY=1")
        return daemon, manager

    def reload(self, daemon, manager, hookup):
        daemon.hookup.write_text(hookup)
        daemon.process.send_signal(1)  # SIGHUP
        manager.told("RELOADING=1")
        manager.told("READY=1")

    def test_tells_how_it_stands(self):
        daemon, manager = self.started()
        daemon.streaming()
        manager.told("STATUS=watching")
        manager.told("WATCHDOG=1")
        manager.told("WATCHDOG=1")
        daemon.stop()
        manager.told("STOPPING=1")

    def test_a_board_that_is_away_feeds_the_watchdog(self):
        daemon, manager = self.started(board="driver = packet-serial\ndevice = /nowhere/at/all")
        manager.told("STATUS=waiting-for-board: logger")
        manager.told("WATCHDOG=1")
        manager.told("WATCHDOG=1")
        daemon.stop()

    def test_reload_changes_what_it_may_and_loses_nothing(self):
        daemon, manager = self.started()
        before = daemon.streaming()
        text = self.hookup(more="[trigger low]\nchannel = battery\nbelow = 6\nfor = 10ms\n")
        self.reload(daemon, manager, text.replace("parcel van, bay 2", "parcel van, bay 3")
                    .replace("100 MiB", "50 MiB").replace("channel battery", "channel post")
                    .replace("channel = battery", "channel = post"))
        self.assertIn("no scan was lost", daemon.log_text())
        status = daemon.status()
        self.assertEqual(status["vehicle"], "parcel van, bay 3")
        self.assertEqual(status["snapshots"]["bound"], 50 << 20)
        harness.until(lambda: daemon.board("logger")["scans"] > before["scans"] + 2000, "more scans")
        after = daemon.board("logger")
        self.assertEqual((after["scans_lost"], after["losses_of_unknown_size"], after["reconnects"]),
                         (0, 0, 0))
        self.assertEqual(after["epoch"], before["epoch"])
        names = [c["channel"] for c in daemon.json("now", "--once")["channels"]]
        self.assertIn("post", names)
        daemon.ask("keep", "--after", "0s", "it did it now")
        harness.until(lambda: "saved" in daemon.log_text(), "the snapshot")
        daemon.stop()
        snapshot = next((daemon.state / "snapshots").glob("*.crank"))
        harness.run("verify", snapshot)
        self.assertIn("bay 3", harness.run("report", snapshot).stdout)

    def test_reload_refuses_what_cannot_change(self):
        daemon, manager = self.started()
        daemon.streaming()
        self.reload(daemon, manager, self.hookup(board=SIM.replace("2000", "3000")))
        self.assertIn("reload: the old hookup holds: board logger", daemon.log_text())
        self.reload(daemon, manager, "[vehicle]\ncylinders = no\n")
        self.assertIn("reload: the old hookup holds: the hookup has", daemon.log_text())
        self.reload(daemon, manager, self.hookup(storage="loss-window = 2s"))
        self.assertIn("stay as they were until the next start", daemon.log_text())
        self.assertEqual(daemon.status()["ring"]["loss_window_s"], 5)
        daemon.stop()

    def test_a_socket_from_the_manager(self):
        state = self.folder / "state"
        state.mkdir()
        path = state / "cranktrap.sock"
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.addCleanup(listener.close)
        listener.bind(str(path))
        listener.listen()
        hookup = self.folder / "vehicle.hookup"
        hookup.write_text(self.hookup())
        # Its own process id must stand in the environment, and the socket be descriptor 3.
        process = subprocess.Popen(
            ["sh", "-c", f'export LISTEN_PID=$$ LISTEN_FDS=1; exec "$@" 3<&{listener.fileno()}',
             "sh", str(harness.BIN / "cranktrapd"), "--hookup", str(hookup), "--state", str(state)],
            pass_fds=[listener.fileno()], stderr=subprocess.DEVNULL)
        self.addCleanup(process.kill)
        done = harness.run("status", "--state", state)
        self.assertIn("parcel van", done.stdout)
        process.terminate()
        self.assertEqual(process.wait(harness.PATIENCE_S), 0)
        self.assertTrue(path.is_socket(), "the manager's socket file is the manager's to remove")


if __name__ == "__main__":
    harness.main()
