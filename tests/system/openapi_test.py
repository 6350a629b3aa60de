# SPDX-License-Identifier: Apache-2.0
"""openapi_test.py - docs/openapi.json says what the daemon does: all routes and no others, and every
answer has the keys that are written down, and no others."""
import http.client
import json
import pathlib
import re
import socket
import unittest

import api_test
import harness

try:
    import jsonschema
except ImportError:
    jsonschema = None

ROOT = pathlib.Path(__file__).resolve().parents[2]
OPENAPI = json.loads((ROOT / "docs/openapi.json").read_text(encoding="ascii"))
METHODS = ("get", "put", "post", "delete", "options", "head", "patch", "trace")
BUSY = api_test.SIM.replace("hours = 20", "hours = 2").replace("attempts = 11", "attempts = 80").replace(
    "fault-attempt = 8", "fault-attempt = 2")
ROUTE = re.compile(r'\{"(\w+)", "([^"]+)", ROUTE_(\w+), (?:NULL|"([^"]*)"), \w+, \w+\}')


def operations():
    """(method, path, operation, all its parameters) of the file."""
    for path, item in OPENAPI["paths"].items():
        for method in METHODS:
            if method in item:
                parameters = item.get("parameters", []) + item[method].get("parameters", [])
                yield method, path, item[method], [followed(p) for p in parameters]


def followed(part):
    """What a reference refers to."""
    while "$ref" in part:
        found = OPENAPI
        for step in part["$ref"].removeprefix("#/").split("/"):
            found = found[step]
        part = found
    return part


def wrong(schema, value):
    """Where `value` is not as the schema says."""
    whole = {**schema, "components": OPENAPI["components"]}
    validator = jsonschema.Draft202012Validator(whole)
    return [f"{'/'.join(map(str, e.absolute_path))}: {e.message[:300]}" for e in validator.iter_errors(value)]


def described():
    """Which keys stand in docs/json.md under which schema (and a calibration's own in calibration.md)."""
    text = (ROOT / "docs/json.md").read_text()
    parts = re.findall(r"^## (cranktrap\.\S+)\n(.*?)(?=^## )", text, re.M | re.S)
    parts += re.findall(r"^\| (cranktrap\.\S+) \|(.*)", text, re.M)
    parts.append(("calibration.md", (ROOT / "docs/calibration.md").read_text()))
    own = {name: set(re.findall(r"`(\w+)(?:\[\])?`", words)) for name, words in parts}
    # "as in cranktrap.report/1"
    return {name: own[name].union(*(own[other] for other in own if other in words)) for name, words in parts}


def keys(part):
    """All keys of a schema and of what is in it."""
    if isinstance(part, dict):
        yield from part.get("properties", ())
    for inner in part.values() if isinstance(part, dict) else part if isinstance(part, list) else ():
        yield from keys(inner)


def routes():
    """(method, path) of the table in daemon/serve/routes.c."""
    ends = {"WHOLE": lambda tail: "", "NUMBER": lambda tail: "{number}" + tail, "NAME": lambda tail: "{name}"}
    table = (ROOT / "daemon/serve/routes.c").read_text().split("routes[] = {")[1].split("\n};")[0]
    rows = ROUTE.findall(table)
    if len(rows) != table.count("ROUTE_"):
        raise AssertionError("a line of the table of routes is not understood")
    return [(method.lower(), path + ends[kind](tail)) for method, path, kind, tail in rows]


class File(unittest.TestCase):
    def test_routes(self):
        written = [(method, path) for method, path, _, _ in operations()]
        self.assertEqual(sorted(written), sorted(routes()))

    def test_parameters(self):
        """Each part of a path is described, and every reference leads somewhere."""
        for _, path, _, parameters in operations():
            named = {p["name"] for p in parameters if p["in"] == "path"}
            self.assertEqual(named, set(re.findall(r"\{(\w+)\}", path)), path)
        for reference in re.findall(r'"\$ref": "([^"]+)"', json.dumps(OPENAPI)):
            followed({"$ref": reference})
        names = [operation["operationId"] for _, _, operation, _ in operations()]
        self.assertEqual(len(names), len(set(names)))

    def test_keys_are_documented(self):
        """Whatever key an answer may have stands in docs/json.md, where that answer is described."""
        places = described()
        everywhere = set().union(*places.values())
        for name, schema in OPENAPI["components"]["schemas"].items():
            answer = schema.get("properties", {}).get("schema", {}).get("const")
            known = places[answer] if answer else everywhere
            with self.subTest(name):
                self.assertEqual(set(keys(schema)) - known - {"schema"}, set())

    @unittest.skipUnless(jsonschema, "python3-jsonschema is missing")
    def test_schemas_are_schemas(self):
        for schema in OPENAPI["components"]["schemas"].values():
            jsonschema.Draft202012Validator.check_schema(schema)


@unittest.skipUnless(jsonschema, "python3-jsonschema is missing")
class Answers(api_test.ApiCase):
    def check(self, path, method="get", body=None, query="", status=None, headers=None, **places):
        """Asks; the answer must be one of those that the file has for that request."""
        operation = OPENAPI["paths"][path][method]
        url = path.format(**places) + query
        got, answered, data = self.ask(url, method.upper(), body, **(headers or {}))
        if status:
            self.assertEqual(got, status, (url, data[:300]))
        self.assertIn(str(got), operation["responses"], (url, data[:300]))
        content = followed(operation["responses"][str(got)]).get("content", {})
        kind = answered.get("Content-Type", "").split(";")[0]
        if not content:
            self.assertEqual(data, b"", url)
            return None
        self.assertIn(kind, content, url)
        if kind != "application/json":
            return data
        answer = json.loads(data)
        self.assertEqual(wrong(content[kind].get("schema", {}), answer), [], url)
        return answer

    def say(self, path, body, method="post", **more):
        """The same with a body, which must be as the file has it; one more key must not."""
        schema = OPENAPI["paths"][path][method]["requestBody"]["content"]["application/json"]["schema"]
        self.assertEqual(wrong(schema, body), [], path)
        self.assertNotEqual(wrong(schema, {**body, "nothing_like_it": 1}), [], path)
        return self.check(path, method, json.dumps(body), **more)

    def test_get(self):
        daemon = self.start(pace=20, sim=BUSY)
        # Attempts in it, one of them failed, so that its report has findings and a verdict.
        harness.until(lambda: daemon.status()["crankings"] > 3, "attempts")
        wish = {"before_s": 600, "after_s": 0, "text": "it did it now"}
        number = self.say("/v0/keep", wish, status=202)["number"]
        harness.until(lambda: (daemon.state / "snapshots" / f"{number:04}.json").exists(), "its report")
        self.say("/v0/notes", {"text": "dawn"})
        queries = {"/v0/samples": "?board=logger&ms=100", "/v0/now": "?after=1",
                   "/v0/snapshots/{number}": "?wait=1", "/v0/ring/draw": "?columns=20",
                   "/v0/snapshots/{number}/draw": "?columns=20"}
        answers = {}
        for method, path, operation, parameters in operations():
            if method != "get" or path == "/v0/live":
                continue
            # Over TCP the door is not spoken of.
            expected = 403 if path == "/v0/phone" else 200
            if path.endswith((".pdf", ".html", ".png", ".svg")):
                expected = None  # a build may have no such thing
            # An attempt that several snapshots hold is one of the first of them.
            which = answers["/v0/attempts"]["attempts"][0]["number"] if path.endswith("/compare") else number
            answers[path] = self.check(path, query=queries.get(path, ""), status=expected, number=which,
                                       name="main.js")
            for parameter in parameters:
                self.beyond(path, parameter, number)
        phone = self.over_socket(daemon, "/v0/phone")
        schema = OPENAPI["paths"]["/v0/phone"]["get"]["responses"]["200"]["content"]["application/json"]["schema"]
        self.assertEqual(wrong(schema, phone), [])
        self.assertEqual(answers["/v0/openapi.json"], OPENAPI)
        self.assertTrue(answers["/v0/snapshots/{number}/report"]["attempts"])
        self.assertTrue(answers["/v0/ring/marks"]["attempts"])
        self.assertTrue(answers["/v0/attempts"]["attempts"])
        self.assertTrue(answers["/v0/snapshots/{number}/compare"]["readings"])
        night = answers["/v0/night"]
        self.assertTrue(night["failed"] and night["started"] and night["readings"])
        self.assertTrue(answers["/v0/snapshots/{number}/draw"]["channels"])
        few = self.check("/v0/snapshots/{number}/draw", query="?from_s=1&to_s=1.1", status=200, number=number)
        self.assertIn("t", few["channels"][0])
        gone = self.check("/v0/snapshots/{number}/report", status=404, number=999999)
        self.assertEqual(gone["schema"], "cranktrap.error/1")
        self.lost_nothing(daemon)
        daemon.stop()

    def over_socket(self, daemon, path):
        connection = http.client.HTTPConnection("cranktrap", timeout=harness.PATIENCE_S)
        connection.sock = socket.socket(socket.AF_UNIX)
        connection.sock.connect(str(daemon.state / "cranktrap.sock"))
        connection.request("GET", path)
        answer = json.loads(connection.getresponse().read())
        connection.close()
        return answer

    def beyond(self, path, parameter, number):
        """One beyond each bound is refused; `wait` and `after` are taken as they come."""
        bounds = followed(parameter["schema"])
        if parameter["in"] != "query" or parameter["name"] in ("wait", "after"):
            return
        values = [bounds[key] + step for key, step in (("minimum", -1), ("maximum", 1)) if key in bounds]
        if "enum" in bounds:
            values.append("napkin")
        if "maxLength" in bounds:
            values.append("1" * (bounds["maxLength"] + 1))
        base = "?board=logger&" if path == "/v0/samples" else "?"
        for value in values:
            self.check(path, query=f"{base}{parameter['name']}={value}", status=400, number=number, name="main.js")

    def test_events(self):
        daemon = self.start()
        events = OPENAPI["paths"]["/v0/live"]["get"]["responses"]["200"]["content"]["text/event-stream"]["x-events"]
        with socket.create_connection(("127.0.0.1", self.port), timeout=harness.PATIENCE_S) as listener:
            listener.sendall(f"GET /v0/live HTTP/1.0\r\nHost: 127.0.0.1:{self.port}\r\n\r\n".encode())
            stream = listener.makefile("r", encoding="utf-8")
            missing, event, kept = set(events), None, False
            while missing:
                line = stream.readline()
                self.assertTrue(line, f"the stream ended without {missing}")
                if line.startswith("event: "):
                    event = line.split()[1]
                    self.assertIn(event, events)
                elif line.startswith("data: "):
                    self.assertEqual(wrong(events[event], json.loads(line[6:])), [], event)
                    missing.discard(event)
                    if not kept and event == "now":  # it looks for changes from here on
                        kept = self.say("/v0/keep", {"before_s": 1, "after_s": 0}, status=202)
        daemon.stop()

    def test_changes(self):
        daemon = self.start(pace=5)
        for path in ("/v0/attempts", "/v0/night", "/v0/ring/marks", "/v0/ring/draw"):
            self.check(path, status=200)  # nothing there yet
        number = self.keep(daemon)
        one = "/v0/snapshots/{number}"
        self.check("/v0/latch", "post", status=200)
        self.check("/v0/night", "post", status=200)
        self.say("/v0/notes", {"text": "dawn", "at_s": 1}, status=200)
        self.say("/v0/clock", {"utc_ms": 1768450327000}, status=200)
        self.say(one, {"reviewed": True, "hold": True, "good": False, "note": "seen"}, status=200, number=number)
        self.check(one, "delete", status=409, number=number)
        self.say(one, {"hold": False}, status=200, number=number)
        self.check(one, "delete", status=200, number=number)
        self.check(one, "delete", status=404, number=number)
        reading = {"channel": "battery", "known": 0, "mean": 2, "rms": 1, "drift": 0, "lowest": 0, "highest": 4}
        self.say("/v0/calibration", reading)
        self.say("/v0/calibration", {"channel": "none such", "forget": True}, status=404)
        self.check("/v0/status", status=200)
        self.say("/v0/phone", {"hours": 12}, status=403)
        self.check("/v0/phone", "delete", status=403)
        for path, bad in (("/v0/keep", {"before_s": 3601}), ("/v0/notes", {"text": "x" * 501}),
                          ("/v0/clock", {"utc_ms": 1e14}), ("/v0/calibration", {"channel": "battery"})):
            schema = OPENAPI["paths"][path]["post"]["requestBody"]["content"]["application/json"]["schema"]
            self.assertNotEqual(wrong(schema, bad), [], path)
            self.check(path, "post", json.dumps(bad), status=400)
        self.check("/v0/keep", "post", "x" * 5000, status=413)
        text = daemon.hookup.read_text()
        found = self.check("/v0/hookup/check", "post", text.replace("role = feed", "role = food"), status=200)
        self.assertTrue(found["problems"])
        self.check("/v0/hookup", "put", "nonsense", status=422)
        self.check("/v0/hookup", "put", text, status=412, headers={"If-Match": '"another"'})
        self.check("/v0/hookup", "put", text, status=200)
        daemon.stop()


if __name__ == "__main__":
    harness.main()
