# SPDX-License-Identifier: Apache-2.0
"""load_test.py - tests/bench/api_bench.py in short: a night drawn and a stream read by 20 pages while the
daemon records. Answers are right and nothing is lost; how long it takes is not looked at here."""
import pathlib
import sys

import harness

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "bench"))
import api_bench  # noqa: E402


class Load(harness.Case):
    def test_night(self):
        found = api_bench.measure(harness.BIN, seconds=90, listen_s=2)
        self.assertEqual((found["scans_lost"], found["losses_of_unknown_size"]), (0, 0))
        self.assertGreater(found["scans"], 0)
        self.assertEqual([kept["seconds"] for kept in found["snapshots"]], [40])
        self.assertGreaterEqual(found["live"]["events"], api_bench.PAGES * 2)
        self.assertTrue(list(api_bench.lines(found)))


if __name__ == "__main__":
    harness.main()
