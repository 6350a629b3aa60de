// SPDX-License-Identifier: Apache-2.0
// One lead, live: true low and high, how it stands, the averaging meter, edges, and the last minute as a small trace.
import { quantity, range, share } from "./figures.js";
import { titleOf } from "./groups.js";
import { judge } from "./live_judge.js";
import { make, shape } from "./make.js";

export const KEPT = 120; // readings, half a second each
const LEAST = { V: 0.2, A: 5 }; // a flat line is drawn as one, its noise not blown up
const WORDS = { in: "good", out: "look here", unknown: "not judged" };
const [WIDTH, HEIGHT] = [240, 42];

/* Lowest and highest of readings {low, high}; null where there are none. */
export function extent(readings) {
  const there = readings.filter((one) => one.low !== null && one.high !== null);
  return there.length ? { low: Math.min(...there.map((one) => one.low)), high: Math.max(...there.map((one) => one.high)) } : null;
}

/* Readings {low, high, mean} as two paths in a box: their envelope, and their mean as a line. The newest is at the right. */
export function paths(readings, unit) {
  const all = extent(readings);
  const there = readings.filter((one) => one.low !== null && one.high !== null);
  if (there.length < 2) return { band: "", line: "" };
  const room = Math.max(0, ((LEAST[unit] ?? 0.2) - (all.high - all.low)) / 2);
  const [low, high] = [all.low - room, all.high + room];
  const x = (index) => (WIDTH * (index + KEPT - there.length) / (KEPT - 1)).toFixed(1);
  const y = (value) => (HEIGHT - HEIGHT * (value - low) / (high - low)).toFixed(1);
  const along = (name) => there.map((one, index) => `${x(index)} ${y(one[name])}`);
  return { band: "M" + along("high").join("L") + "L" + along("low").reverse().join("L") + "Z", line: "M" + along("mean").join("L") };
}

const fact = (name, value) => [make("dt", {}, name), make("dd", {}, value)];

/* `channel`: as the hookup has it, for its limits; may be undefined. */
export function leadCard(first, channel) {
  const kept = [];
  let latched = false;
  let last = first;
  let phase = "unknown";
  const big = make("p", { class: "big" });
  const facts = make("dl", {});
  const state = make("span", { class: "state" });
  const minute = make("p", { class: "quiet small" });
  const band = shape("path", { class: "band" });
  const line = shape("path", { class: "trace" });
  const name = titleOf(first);
  const element = make("article", { class: "lead" },
    make("h3", { class: "name" }, make("span", {}, name, name === first.channel || first.role === first.channel ? null
      : make("span", { class: "quiet" }, " " + first.channel)), state), big, facts,
    shape("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, preserveAspectRatio: "none", "aria-hidden": "true" }, band, line), minute);
  const show = () => {
    const { unit } = last;
    const [low, high] = latched ? [last.latched_low, last.latched_high] : [last.low ?? last.lowest, last.high ?? last.highest];
    const judged = judge(channel ?? last, last, phase);
    element.classList.toggle("stale", !last.fresh);
    state.className = `state ${judged.state}`;
    state.textContent = last.fresh ? WORDS[judged.state] : "silent";
    const value = (text, number) => make("b", {}, make("span", {}, text), quantity(number, unit));
    big.replaceChildren(value(latched ? "lowest" : "low", low), value(latched ? "highest" : "high", high));
    facts.replaceChildren(...fact("averaging meter", quantity(last.average, unit)),
      ...(last.edges_per_s ? fact("edges a second", last.edges_per_s.toFixed(0)) : []),
      ...(last.duty !== null && last.duty !== undefined ? fact("high for", share(last.duty)) : []),
      ...(judged.state === "in" || !judged.why ? [] : fact("why", judged.why)));
    const drawn = paths(kept, unit);
    band.setAttribute("d", drawn.band);
    line.setAttribute("d", drawn.line);
    const all = extent(kept);
    minute.textContent = all ? "the last minute: " + range(all.low, all.high, unit) : "";
  };
  return {
    element,
    wiggle(on) {
      latched = on;
      show();
    },
    /* What was before: readings {low, high, mean}, oldest first. */
    fill(readings) {
      kept.unshift(...readings.slice(-(KEPT - kept.length)));
      show();
    },
    tell(reading, now) {
      last = reading;
      phase = now.phase;
      kept.push({ low: reading.lowest, high: reading.highest, mean: reading.average });
      if (kept.length > KEPT) kept.shift();
      show();
    },
  };
}
