#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""wiring_test.py - the values of docs/wiring.md against the networks solved node by node
(Kirchhoff's currents, numpy.linalg), and against the converter's limits; the page as the script
writes it."""
import pathlib
import re
import subprocess
import sys
import unittest

import numpy

import front_end

DOCS = pathlib.Path(__file__).resolve().parents[2] / "docs"


def solve(nodes, resistors, sources):
    """Node voltages. resistors: (a, b, ohms); sources: {node: volts}; any hashable names."""
    index = {name: i for i, name in enumerate(nodes)}
    matrix, right = numpy.zeros((len(nodes), len(nodes))), numpy.zeros(len(nodes))
    for a, b, ohms in resistors:
        for here, there in ((a, b), (b, a)):
            matrix[index[here], index[here]] += 1 / ohms
            matrix[index[here], index[there]] -= 1 / ohms
    for name, volts in sources.items():
        matrix[index[name], :] = 0
        matrix[index[name], index[name]] = 1
        right[index[name]] = volts
    return dict(zip(nodes, numpy.linalg.solve(matrix, right)))


def network(leg, lead_v, bias_v):
    return solve(("lead", "input", "bias"),
                 (("lead", "input", leg.series), ("input", "bias", leg.shunt)),
                 {"lead": lead_v, "bias": bias_v})


class FrontEnd(unittest.TestCase):
    def test_scales(self):
        for leg in front_end.LEGS:
            for lead_v in (-0.5, 0.0, 0.1, 5.0, 12.6):
                node = network(leg, lead_v, leg.bias_v)["input"]
                self.assertAlmostEqual(node * leg.divider + leg.offset, lead_v, places=9)

    def test_ranges(self):
        """Every lead fits where it must be judged; load dump stays below 1 mA in the clamp diode,
        the order of what converters' inputs bear (common practice, no source)."""
        must = {"battery, 12 V system": (0, 16), "battery, 24 V system": (0, 32),
                "feed, signal": (0, 8), "return": (-0.5, 0.5), "inductive, each leg": (-20, 20)}
        for leg in front_end.LEGS:
            for lead_v in must[leg.name]:
                node = network(leg, lead_v, leg.bias_v)["input"]
                self.assertTrue(0 <= node <= front_end.BOARD_V, (leg.name, lead_v, node))
            dump = front_end.LOAD_DUMP_V[leg.name]
            held = {"lead": dump, "bias": leg.bias_v, "input": front_end.CLAMP_V}
            current = (dump - held["input"]) / leg.series - (held["input"] - leg.bias_v) / leg.shunt
            self.assertAlmostEqual(leg.clamp_current(dump), max(0, current), places=12)
            if leg.name != "return":  # the page says what that one needs
                self.assertLess(current, 1e-3)

    def test_loading(self):
        """An idle signal: supply, pull-up, input to ground."""
        for pull_up in front_end.PULL_UPS:
            for ohms in front_end.INPUTS:
                nodes = solve(("supply", "signal", "ground"),
                              (("supply", "signal", pull_up), ("signal", "ground", ohms)),
                              {"supply": 5.0, "ground": 0.0})
                self.assertAlmostEqual(front_end.loaded(pull_up, ohms), nodes["signal"], places=9)

    def test_page(self):
        done = subprocess.run([sys.executable, "-B", "wiring_page.py", "--check"], check=False,
                              cwd=pathlib.Path(__file__).parent, capture_output=True, text=True)
        self.assertEqual(done.returncode, 0, done.stdout)
        text = (DOCS / "wiring.md").read_text(encoding="utf-8")
        for name in re.findall(r"\]\((\S+\.svg)\)", text):
            self.assertTrue((DOCS / name).exists(), name)


if __name__ == "__main__":
    unittest.main()
