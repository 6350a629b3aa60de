// SPDX-License-Identifier: Apache-2.0
// The page's pure modules: figures, sentences, ticks. Expected texts are written by hand.
import assert from "node:assert/strict";
import { test } from "node:test";

const page = (name) => import(new URL(`../../daemon/serve/page/${name}.js`, import.meta.url));
const plain = (text) => text.replaceAll("\u00a0", " ").replaceAll("\u2212", "-");

test("figures: digits that mean something", async () => {
  const { bytes, clock, long, quantity, span } = await page("figures");
  const rows = [[quantity(4.988), "4.99 V"], [quantity(10.08), "10.1 V"], [quantity(742.4, "A"), "742 A"], [quantity(-0.001), "0.00 V"],
    [quantity(-0.25), "-0.25 V"], [quantity(null), "not known"], [span(0.3338), "0.33 s"], [span(0.0038), "3.80 ms"], [span(0.00005), "50 µs"],
    [span(18720), "5 h 12 min"], [long(59), "1 min"], [long(3600), "1 h"], [bytes(20e9), "20.0 GB"], [bytes(512), "512 bytes"],
    [clock("2026-01-15 04:12:09"), "04:12"], [clock("2026-01-15T04:12:09+0100"), "04:12"], [clock(null), "time not known"]];
  for (const [got, wanted] of rows) assert.equal(plain(got), wanted);
});

test("figures: ranges and days", async () => {
  const { day, range } = await page("figures");
  assert.equal(plain(range(0.131, 4.984)), "0.13 V to 4.98 V");
  assert.equal(plain(range(14.21, 14.24)), "14.2 V");
  assert.equal(day("2026-01-14T23:43:37+0000"), "14 January 2026");
  assert.equal(day(null), "");
});

test("a night too short to tell says how much longer it would have to be", async () => {
  const { leastChance, wanted } = await page("night_contrast");
  // One of three fails: it can be any of the three, at either end: 2/3. Two of eight: 28 pairs, 2/28.
  assert.ok(Math.abs(leastChance(1, 2) - 2 / 3) < 1e-12);
  assert.ok(Math.abs(leastChance(2, 6) - 2 / 28) < 1e-12);
  assert.equal(leastChance(0, 9), 1);
  // 1 of n + 1: 2/(n + 1) <= 0.05 from 39 started on.
  assert.equal(wanted(1, 10, "started"), 29);
  assert.equal(wanted(1, 10, "failed"), 1);
});

test("a lead's last minute: the newest at the right, a flat line in the middle", async () => {
  const { extent, paths } = await page("lead");
  assert.equal(extent([{ low: null, high: null, mean: null }]), null);
  const flat = paths([1, 2].map(() => ({ low: 5, high: 5, mean: 5 })), "V");
  assert.match(flat.line, /^M[\d.]+ 21\.0L240\.0 21\.0$/);
});

test("figures: a date's zone is the logger's", async () => {
  const { instant } = await page("figures");
  assert.equal(instant("1970-01-01T01:00:00+0100"), 0);
  assert.equal(instant("1970-01-02 00:00:00"), 86400);
  assert.equal(instant("sometime"), null);
});

const failed = { number: 7, wall: "2026-01-15 04:12:00", failed: true, outcome: "did-not-start", elapsed_s: 700, reviewed: false,
  verdict: { fault: "feed-collapse", circuit: "feed", sensor: "crank", channel: "crank-feed", at_s: 20.31, certainty: "shown",
    observed: "crank-feed fell from 5.01 V to 0.30 V; the battery held 10.1 V." } };
const started = (number, more = {}) => ({ number, wall: `2026-01-15 0${number}:00:00`, failed: false, outcome: "started", elapsed_s: number * 100,
  verdict: { fault: "nothing-found", circuit: "none", certainty: "likely" }, ...more });

test("headline: as a person would say it", async () => {
  const { headline } = await page("headline");
  const attempts = [1, 2, 3, 4, 5, 6].map((one) => started(one)).concat(failed, [8, 9].map((one) => started(one)));
  const left = Date.UTC(2026, 0, 14, 23, 0, 0) / 1000;
  const said = headline(failed, attempts, left, 20);
  assert.equal(plain(said.when), "Attempt 7 of 9, 04:12, 5 h 12 min after you left.");
  assert.equal(said.outcome, "Did not start.");
  assert.equal(plain(said.what), "Crank sensor feed collapsed 0.31 s in; battery held 10.1 V.");
  assert.equal(said.certainty[0], "Shown");
  assert.equal(headline(started(1), attempts, null, 20).certainty, null);
});

test("headline: what to land on, and what to put beside it", async () => {
  const { companion, landing } = await page("headline");
  assert.equal(landing([started(1), failed, started(8)]).number, 7);
  assert.equal(landing([started(1), started(2)]).number, 2);
  assert.equal(landing([failed, { ...failed, number: 9, reviewed: true }]).number, 7);
  assert.equal(landing([]), null);
  assert.equal(companion([started(1), started(6), failed], failed).number, 6);
  assert.equal(companion([started(1, { good: true }), started(6), failed], failed).number, 1);
  assert.equal(companion([failed], failed), null);
});

test("stretch: what lies between two taps", async () => {
  const { length, measure, sentence } = await page("stretch");
  const feed = { low: [5, 5, 1, 0], high: [5, 5, 3, 0], mean: [5, 5, 2, 0], role: "feed", unit: "V" };
  const measured = measure(feed, [0, 1, 2, 3], 0.5, 3);
  assert.deepEqual(measured, { first: 5, last: 0, lowest: 0, highest: 5, average: 7 / 3 });
  assert.match(plain(sentence(feed, measured, 0.5, 3)), /^went from 5.00 V to 0.00 V \(-5.00 V, -2.00 V a second\)/);
  assert.equal(measure(feed, [0, 1, 2, 3], 7, 8), null);
  // 3 V of 0 to 5 V on average is 60 % high.
  const signal = { role: "signal", unit: "V" };
  assert.match(plain(sentence(signal, { first: 0, last: 5, lowest: 0, highest: 5, average: 3 }, 0, 1)), /high for 60 %/);
  // A crank at 200 rpm turns 1200 degrees a second.
  assert.match(plain(length(0, 0.1, 200)), /^0.10 s, 120° of the crank at 200 rpm/);
});

test("groups: by sensor, a shared feed once", async () => {
  const { groups, titleOf } = await page("groups");
  const channel = (name, role) => ({ name, role });
  const all = [channel("cam-signal", "signal"), channel("battery", "battery"), channel("five", "feed"), channel("crank-signal", "signal")];
  const sensors = [{ name: "crank", feed: "five", return: null, signal: "crank-signal" }, { name: "cam", feed: "five", return: null, signal: "cam-signal" }];
  assert.deepEqual(groups(all, sensors).map((one) => [one.title, one.channels.map((each) => each.name)]),
    [["Supply, starter", ["battery"]], ["Cam sensor", ["cam-signal"]], ["Shared by sensors", ["five"]], ["Crank sensor", ["crank-signal"]]]);
  assert.equal(titleOf(channel("five", "feed")), "feed (five)");
});

test("ticks: round numbers, few of them", async () => {
  const { tickText, ticks } = await page("ticks");
  assert.deepEqual(ticks(-0.3, 5.4, 3), [0, 2, 4]);
  assert.deepEqual(tickText([-0.2, 0, 0.2]).map(plain), ["-0.2", "0.0", "0.2"]);
  assert.deepEqual(tickText([0, 500]), ["0", "500"]);
});

test("night's window: never beyond its ends, finer about the place pointed at", async () => {
  const { moved, scaled } = await page("night_window");
  const whole = { from: 0, to: 100 };
  assert.deepEqual(scaled(whole, whole, 0.5, 0), { from: 0, to: 50 });
  assert.deepEqual(scaled(whole, whole, 4), whole);
  assert.deepEqual(moved({ from: 80, to: 100 }, whole, 1), { from: 80, to: 100 });
});

test("a lead judged live", async () => {
  const { judge } = await page("live_judge");
  const reading = { fresh: true, lowest: 4.97, highest: 5.02, average: 5, unit: "V", edges_per_s: 0 };
  const feed = { role: "feed", nominal: 5 };
  assert.equal(judge(feed, reading, "key-on").state, "in");
  assert.equal(judge(feed, { ...reading, lowest: 0.3 }, "key-on").state, "out");
  assert.equal(judge(feed, reading, "key-off").state, "unknown");
  assert.equal(judge(feed, null, "key-on").state, "unknown");
  assert.equal(judge({ role: "battery" }, { ...reading, average: 9 }, "cranking").state, "out");
});
