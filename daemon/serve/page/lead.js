// SPDX-License-Identifier: Apache-2.0
// One lead, live: true low and high, the averaging meter, edges, and the last minute as a small trace.
import { quantity, share } from "./figures.js";
import { titleOf } from "./groups.js";
import { make, shape } from "./make.js";

const KEPT = 120; // readings, half a second each

/* The envelope of readings {low, high} as a path in a box of `width` x `height`. */
export function envelope(readings, width, height) {
  const there = readings.filter((one) => one.low !== null && one.high !== null);
  if (there.length < 2) return "";
  const low = Math.min(...there.map((one) => one.low));
  const high = Math.max(...there.map((one) => one.high), low + 0.2);
  const x = (index) => (width * index / (there.length - 1)).toFixed(1);
  const y = (value) => (height - height * (value - low) / (high - low)).toFixed(1);
  return "M" + there.map((one, index) => `${x(index)} ${y(one.high)}`).join("L") +
    "L" + there.map((one, index) => `${x(index)} ${y(one.low)}`).reverse().join("L") + "Z";
}

export function leadCard(first) {
  const kept = [];
  let latched = false;
  const big = make("p", { class: "big" });
  const facts = make("dl", {});
  const path = shape("path", { class: "trace" });
  const element = make("article", { class: "lead" },
    make("h3", { class: "name" }, make("span", {}, titleOf(first)), make("span", { class: "quiet" }, first.channel)), big, facts,
    shape("svg", { viewBox: "0 0 240 44", preserveAspectRatio: "none", "aria-hidden": "true" }, path));
  let last = first;
  const fact = (name, value) => [make("dt", {}, name), make("dd", {}, value)];
  const show = () => {
    const { unit } = last;
    const [low, high] = latched ? [last.latched_low, last.latched_high] : [last.low ?? last.lowest, last.high ?? last.highest];
    element.classList.toggle("stale", !last.fresh);
    const value = (name, number) => make("b", {}, make("span", {}, name), quantity(number, unit));
    big.replaceChildren(value(latched ? "lowest" : "low", low), value(latched ? "highest" : "high", high));
    facts.replaceChildren(...fact("averaging meter", quantity(last.average, unit)),
      ...(last.edges_per_s ? fact("edges a second", last.edges_per_s.toFixed(0)) : []),
      ...(last.duty !== null && last.duty !== undefined ? fact("high for", share(last.duty)) : []),
      ...(last.fresh ? [] : fact("no new sample", "the board is silent")));
    path.setAttribute("d", envelope(kept, 240, 42));
  };
  return {
    element,
    wiggle(on) {
      latched = on;
      show();
    },
    tell(reading) {
      last = reading;
      kept.push({ low: reading.lowest, high: reading.highest });
      if (kept.length > KEPT) kept.shift();
      show();
    },
  };
}
