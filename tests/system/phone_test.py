# SPDX-License-Identifier: Apache-2.0
"""phone_test.py - the page opened to the local network, in a network of its own: who knows the token
comes in and nobody else; closed, it is closed for streams that are open too. docs/api.md."""
import fcntl
import http.client
import json
import os
import re
import socket
import struct
import subprocess
import sys

import harness

ADDRESS, PORT = "10.77.0.1", 4187
INSIDE = "CRANKTRAP_TEST_NETWORK"
SIM = "driver = sim\nrate = 2000\npace = real"


def make_network():
    """Loopback is up and has an address of a workshop's network besides."""
    with socket.socket() as any_socket:
        for name, address in ((b"lo", "127.0.0.1"), (b"lo:1", ADDRESS)):
            request = struct.pack("16sH2s4s8s", name, socket.AF_INET, b"", socket.inet_aton(address), b"")
            fcntl.ioctl(any_socket, 0x8916, request)  # SIOCSIFADDR
        fcntl.ioctl(any_socket, 0x8914, struct.pack("16sh14s", b"lo", 0x41, b""))  # SIOCSIFFLAGS: up, running


class Phone(harness.Case):
    def start(self, *arguments):
        daemon = self.daemon(harness.van(SIM, "36-1", ""), arguments=arguments)
        daemon.start().ready().streaming()
        return daemon

    def local(self, daemon, method, path="/v0/phone", body=None, status=200):
        """Over the Unix socket, where the door is opened and closed."""
        connection = http.client.HTTPConnection("cranktrap", timeout=harness.PATIENCE_S)
        connection.sock = socket.socket(socket.AF_UNIX)
        connection.sock.connect(str(daemon.state / "cranktrap.sock"))
        connection.request(method, path, body)
        answer = connection.getresponse()
        data = json.loads(answer.read())
        connection.close()
        self.assertEqual(answer.status, status, data)
        return data

    def visit(self, path, address=ADDRESS, method="GET", **headers):
        connection = http.client.HTTPConnection(address, PORT, timeout=harness.PATIENCE_S)
        connection.request(method, path, None, headers)
        answer = connection.getresponse()
        answer.read()
        connection.close()
        return answer

    def listen(self, cookie):
        stream = socket.create_connection((ADDRESS, PORT), timeout=harness.PATIENCE_S)
        stream.sendall(f"GET /v0/live HTTP/1.1\r\nHost: {ADDRESS}:{PORT}\r\nCookie: {cookie}\r\n\r\n".encode())
        seen = b""
        while b"event: now" not in seen:
            seen += stream.recv(65536)
        return stream

    def lost_nothing(self, daemon):
        board = daemon.board("logger")
        self.assertEqual((board["scans_lost"], board["losses_of_unknown_size"]), (0, 0))

    def test_token(self):
        daemon = self.start()
        with self.assertRaises(OSError):
            self.visit("/v0/status")
        told = self.local(daemon, "POST", body="{}")
        token = re.fullmatch(rf"http://{ADDRESS}:{PORT}/\?token=([0-9a-f]{{32}})", told["url"])[1]
        wrong = token[:-1] + ("0" if token[-1] != "0" else "1")
        for path, cookie in (("/v0/status", None), ("/", None), (f"/?token={wrong}", None), ("/?token=", None),
                             (f"/v0/status?token={token}", None), ("/v0/status", f"cranktrap={wrong}"),
                             ("/v0/status", "cranktrap="), ("/v0/status", "cranktrap=" + "0" * 32),
                             ("/v0/status", "cranktrap=" + token * 100), ("/v0/live", None), ("/metrics", None)):
            self.assertEqual(self.visit(path, **{"Cookie": cookie} if cookie else {}).status, 401, (path, cookie))
        welcome = self.visit(f"/?token={token}")
        self.assertEqual((welcome.status, welcome.headers["Location"]), (303, "/"))
        cookie = welcome.headers["Set-Cookie"]
        self.assertIn("HttpOnly", cookie)
        self.assertIn("SameSite=Strict", cookie)
        known = {"Cookie": cookie.split(";")[0]}
        self.assertEqual(self.visit("/v0/status", **known).status, 200)
        self.assertEqual(self.visit("/v0/status", Host=f"evil.example:{PORT}", **known).status, 421)
        self.assertEqual(self.visit("/v0/latch", method="POST", Origin="http://evil.example", **known).status, 403)
        for method in ("GET", "POST", "DELETE"):
            self.assertEqual(self.visit("/v0/phone", method=method, **known).status, 403, method)
        # A card that hangs there stays good when it is opened again, and over a restart.
        self.assertEqual(self.local(daemon, "POST", body='{"hours": 1}')["token"], token)
        self.lost_nothing(daemon)
        daemon.stop()
        daemon.start().ready()

        def open_again():
            try:
                return self.visit("/v0/status", **known).status == 200
            except OSError:
                return False
        harness.until(open_again, "the door after a restart")
        # Closed: at once for what comes, and for a stream that is open.
        stream = self.listen(known["Cookie"])
        own = self.local(daemon, "GET", "/v0/status")
        self.assertFalse(self.local(daemon, "DELETE")["open"])
        while stream.recv(65536):
            pass
        stream.close()
        with self.assertRaises(OSError):
            self.visit("/v0/status", **known)
        self.assertEqual(own["schema"], "cranktrap.status/1")
        self.assertNotEqual(self.local(daemon, "POST", body="{}")["token"], token)
        self.lost_nothing(daemon)
        daemon.stop()

    def test_shared_port(self):
        """Beside --listen on all addresses: the same port, and the token is wanted there too."""
        daemon = self.start("--listen", f"0.0.0.0:{PORT}")
        self.assertEqual(self.visit("/v0/status", "127.0.0.1").status, 200)
        self.assertEqual(self.visit("/v0/status").status, 401)
        told = self.local(daemon, "POST", body="{}")
        self.assertIn(f"http://{ADDRESS}:{PORT}/", told["url"])
        cookie = self.visit(told["url"].split(str(PORT))[1]).headers["Set-Cookie"].split(";")[0]
        self.assertEqual(self.visit("/v0/status", Cookie=cookie).status, 200)
        self.local(daemon, "DELETE")
        self.assertEqual(self.visit("/v0/status", Cookie=cookie).status, 401)
        self.assertEqual(self.visit("/v0/status", "127.0.0.1").status, 200)
        daemon.stop()

    def test_port_taken(self):
        daemon = self.start()
        with socket.create_server((ADDRESS, PORT)):
            refused = self.local(daemon, "POST", body="{}", status=409)
            self.assertIn(str(PORT), refused["error"])
            self.assertTrue(refused["remedy"])
            self.assertFalse(self.local(daemon, "GET")["open"])
        self.assertTrue(self.local(daemon, "POST", body="{}")["open"])
        daemon.stop()


def main():
    unshare = ["unshare", "--net"] if os.geteuid() == 0 else ["unshare", "--map-root-user", "--net"]
    if INSIDE in os.environ:
        make_network()
        harness.main()
    elif subprocess.run([*unshare, "true"], capture_output=True, check=False).returncode:
        print("NOT RUN: phone_test: no network of its own is allowed here")
        sys.exit(77)
    else:
        os.environ[INSIDE] = "1"
        os.execvp("unshare", [*unshare, sys.executable, "-B", *sys.argv])


if __name__ == "__main__":
    main()
