// SPDX-License-Identifier: Apache-2.0
// The night as one line: an attempt that started stands above it, one that failed hangs below.
import { clock, instant } from "./figures.js";
import { shape } from "./make.js";
import { outcome } from "./words.js";

const GROUND = 30;

function mark(x, one, current) {
  const line = (kind, y) => shape("line", { class: kind, x1: x, x2: x, y1: GROUND, y2: y });
  const parts = [one.failed ? line("fell", GROUND + 26) : one.outcome === "started" ? line("rose", GROUND - 18)
    : line("open", GROUND - 12)];
  if (current) parts.push(shape("circle", { class: "here", cx: x, cy: one.failed ? GROUND + 26 : GROUND - 18, r: 8 }));
  return parts;
}

function spoken(attempts) {
  const failed = attempts.filter((one) => one.failed).length;
  return `${attempts.length} attempts, ${failed} of them failed: ` +
    attempts.map((one) => `${clock(one.wall)} ${outcome(one.outcome)}`).join(", ");
}

function sky(attempts, kind) {
  return shape("svg", { class: `horizon ${kind}`, role: "img", "aria-label": spoken(attempts) },
    shape("line", { class: "ground", x1: "0", x2: "100%", y1: GROUND, y2: GROUND }));
}

/* By the clock, with hours written beneath; `since`: when somebody left, or null. */
export function horizon(attempts, since, current) {
  const times = attempts.map((one) => instant(one.wall)).filter((one) => one !== null);
  if (times.length === 0) return null;
  const first = Math.min(since ?? Infinity, ...times);
  const last = Math.max(...times);
  const length = Math.max(last - first, 60);
  const x = (at) => `${(3 + 94 * (at - first) / length).toFixed(2)}%`;
  const drawing = sky(attempts, "hours");
  const hours = length / 3600;
  const step = hours > 14 ? 4 : hours > 5 ? 2 : hours > 1.5 ? 1 : 0.5;
  for (let at = Math.ceil(first / 3600 / step) * step; at * 3600 <= last; at += step) {
    const text = new Date(at * 3600e3).toISOString().slice(11, 16);
    drawing.append(shape("line", { class: "left", x1: x(at * 3600), x2: x(at * 3600), y1: GROUND, y2: 68 }),
      shape("text", { x: x(at * 3600), y: 84, "text-anchor": "middle" }, text));
  }
  for (const one of attempts) {
    const at = instant(one.wall);
    if (at !== null) drawing.append(...mark(x(at), one, one.number === current));
  }
  return drawing;
}

/* Over a strip of elapsed seconds: the same marks, where the strip has those moments. */
export function horizonOver(attempts, view) {
  const there = attempts.filter((one) => one.elapsed_s >= view.from && one.elapsed_s <= view.to);
  const drawing = sky(there, "over");
  for (const one of there) drawing.append(...mark(`${(100 * (one.elapsed_s - view.from) / (view.to - view.from)).toFixed(3)}%`, one, false));
  return drawing;
}
