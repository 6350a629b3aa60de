#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""sheet_test.py - `cranktrap report --pdf --svg --png --html`: every sentence of the JSON is on the
sheet, read by pdftotext and by python's own parsers; nothing is cut, fetched or left half written.
"""
import base64
import hashlib
import html.parser
import json
import math
import re
import struct
import subprocess
import xml.etree.ElementTree as xml
import zlib

import harness

LONG = "langer-name-am-kurbelgeber-hinter-dem-stecker"
ODD = f"""[vehicle]
name = Lieferwagen "Grün" & <Rot>, Жёлтый, Ωμέγα
complaint = {"dreht, springt nicht an; " * 7}
job = 2214/ä
technician = Łukasz Żółć
cylinders = 4
[channel battery]
role = battery
""" + "".join(f"[channel {LONG}-{i}]\nrole = other\n" for i in range(25))


def squeezed(text):
    """Without white space: where lines were broken does not matter."""
    return re.sub(r"\s", "", text)


def sentences(report):
    """What the sheet must say, of the report's JSON."""
    verdict = report["verdict"]
    yield from (verdict[key] for key in ("observed", "fault") if verdict[key])
    for key in ("because", "followers", "alternatives", "next", "not_tested"):
        yield from verdict[key]
    for check in report["checks"]:
        if check["attempt"] in (None, report["attempt"]):
            yield from (check[key] for key in ("check", "source", "result"))
            if check["why"] and check["result"] != "pass":
                yield check["why"]
    yield from (note["text"] for note in report["measuring"])
    yield from (loss["reason"] for loss in report["losses"])
    yield from (channel["channel"] for channel in report["channels"])
    yield from (report[key] for key in ("vehicle", "complaint") if report[key])


class Texts(html.parser.HTMLParser):
    """The text of a page, and what it refers to."""

    def __init__(self):
        super().__init__()
        self.text, self.images, self.tags = "", [], []

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.images += [value for name, value in attributes if name in ("src", "href")]

    def handle_data(self, data):
        self.text += data


def svg_text(content):
    """All text elements of an SVG."""
    root = xml.fromstring(content)
    name = "{http://www.w3.org/2000/svg}"
    assert root.tag == name + "svg"
    assert sum(1 for _ in root.iter(name + "path")) > 10, "nothing is drawn"
    for element in root.iter():
        for key, value in element.attrib.items():
            assert not key.endswith("href") or value.startswith(("#", "data:")), value
    return "".join("".join(text.itertext()) for text in root.iter(name + "text"))


def png_size(content):
    """Width and height; fails where it is blank."""
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    place, packed = 8, b""
    while place < len(content):
        length, kind = struct.unpack(">I4s", content[place:place + 8])
        packed += content[place + 8:place + 8 + length] if kind == b"IDAT" else b""
        place += 12 + length
    # 8 bits of red, green, blue; a blank page is the same byte all over, filter bytes aside.
    assert len(set(zlib.decompress(packed)[::997])) > 20, "the picture is blank"
    return struct.unpack(">II", content[16:24])


class Sheet(harness.Case):
    def sheet(self, record, form, *options):
        path = self.folder / f"sheet.{form}"
        harness.run("report", record, "--out", path, *options)
        self.assertEqual(list(self.folder.glob("*.part")), [])
        return path.read_bytes()

    def pdf_text(self, content):
        path = self.folder / "read.pdf"
        path.write_bytes(content)
        info = subprocess.run(["pdfinfo", path], capture_output=True, text=True, check=True).stdout
        size = re.search(r"Page size: +([\d.]+) x ([\d.]+)", info).groups()
        pages = int(re.search(r"Pages: +(\d+)", info).group(1))
        text = subprocess.run(["pdftotext", "-raw", path, "-"], capture_output=True, text=True,
                              check=True).stdout
        return text, [float(length) for length in size], pages

    def check_all(self, record):
        """Every form says what the JSON says; returns the pages."""
        report = json.loads(harness.run("report", record, "--json").stdout)
        wanted = [squeezed(sentence) for sentence in sentences(report)]
        wanted += [hashlib.sha256(record.read_bytes()).hexdigest(), "Before you test", "cranktrap"]
        text, size, pages = self.pdf_text(self.sheet(record, "pdf"))
        self.assertEqual(size, [595.28, 841.89])  # A4, ISO 216: 210 mm x 297 mm
        svg = svg_text(self.sheet(record, "svg"))
        page = Texts()
        page.feed(self.sheet(record, "html").decode())
        for sentence in wanted:
            for form, found in (("pdf", text), ("svg", svg), ("html", page.text)):
                self.assertIn(squeezed(sentence), squeezed(found), form)
        self.assertEqual(len(page.images), pages)
        self.assertNotIn("script", page.tags)
        for image in page.images:
            kind, content = image.split(",", 1)
            self.assertEqual(kind, "data:image/svg+xml;base64")
            xml.fromstring(base64.b64decode(content))
        width, height = png_size(self.sheet(record, "png"))
        self.assertEqual(width, math.floor(210 / 25.4 * 150))
        self.assertLess(abs(height - 297 / 25.4 * 150 * pages), 2)
        return pages

    def record(self, hookup, header, rows):
        (self.folder / "in.hookup").write_text(hookup)
        (self.folder / "in.csv").write_text(header + "".join(rows))
        path = self.folder / "record.crank"
        harness.run("import", self.folder / "in.csv", "--hookup", self.folder / "in.hookup",
                    "--out", path)
        return path

    def test_night(self):
        """An attempt that failed and one that started, out of a night."""
        daemon = self.daemon(harness.van(
            "driver = sim\npace = free\nhours = 0.06\nattempts = 3\nfault = feed-collapse\n"
            "fault-attempt = 2", "36-1", "", "divider = 5.7")).start()
        state = daemon.state
        harness.until(lambda: (state / "snapshots" / "0003.json").exists(), "the last report")
        daemon.stop()
        snapshots = state / "snapshots"
        self.check_all(snapshots / "0002.crank")
        self.check_all(snapshots / "0001.crank")
        path = self.folder / "chosen.pdf"
        harness.run("report", "--state", state, "--out", path, "--paper", "letter")
        text, size, _ = self.pdf_text(path.read_bytes())
        self.assertEqual(size, [612, 792])  # 8.5 in x 11 in
        self.assertIn("Attempt 2 of 3", text)
        self.assertIn("3 attempts: 2 started, 1 failed.", text)
        # What the customer reads first has no lead's name in it, and no volt.
        found, customer = text.split("What was found", 1)
        customer, picture = customer.split("The moment", 1)
        self.assertIn("It concerns the sensor", customer)
        self.assertIn("What comes next", customer)
        self.assertNotRegex(found + customer, r"crank-feed|\d V\b")
        self.assertIn("The moment from near", picture)
        self.assertLess(len(self.sheet(snapshots / "0002.crank", "svg")), 250_000)

    def test_losses_names_and_no_attempt(self):
        """No attempt; 26 channels; names that are long and not English; rows that are missing."""
        names = ["battery"] + [f"{LONG}-{i}" for i in range(25)]
        rows = [f"{i / 100},12.5" + "".join(f",{math.sin(i / 20 + k):.3f}" for k in range(25)) + "\n"
                for i in range(800) if not 300 <= i < 350]
        record = self.record(ODD, "time_s," + ",".join(names) + "\n", rows)
        self.assertGreater(self.check_all(record), 1)
        text, _, _ = self.pdf_text(self.sheet(record, "pdf"))
        for word in ("Łukasz Żółć", "2214/ä", "50 scans of board import missing"):
            self.assertIn(word, text)

    def test_nothing_to_show(self):
        """Three scans are a record too."""
        record = self.record("[channel battery]\nrole = battery\n", "time_s,battery\n",
                             ["0,12\n", "0.01,12\n", "0.02,12\n"])
        self.check_all(record)

    def test_refused(self):
        record = self.record("[channel battery]\nrole = battery\n", "time_s,battery\n",
                             ["0,12\n", "0.01,12\n"])
        harness.run("report", record, "--pdf", "--png", status=2)
        harness.run("report", record, "--pdf", "--json", status=2)
        harness.run("report", record, "--pdf", "--paper", "legal", status=2)
        harness.run("report", record, "--paper", "letter", status=2)
        harness.run("report", record, "--out", self.folder / "no" / "sheet.pdf", status=3)
        done = subprocess.run([harness.BIN / "cranktrap", "report", record, "--pdf"],
                              capture_output=True, timeout=harness.PATIENCE_S, check=True)
        self.assertEqual(done.stdout[:5], b"%PDF-")


if __name__ == "__main__":
    harness.main()
