// SPDX-License-Identifier: Apache-2.0
// The traces of an attempt: which stretch of them is shown, the good one beneath, and two taps read out.
import { paired, viewOf, windows } from "./attempt_lanes.js";
import { draw, get } from "./ask.js";
import { clock } from "./figures.js";
import { gestures, later } from "./gestures.js";
import { MARGIN } from "./lane.js";
import { stack } from "./lanes.js";
import { button, make } from "./make.js";
import { moved, scaled } from "./night_window.js";
import { reader } from "./reader.js";
import { outcome } from "./words.js";

async function besideOf(beside, signal) {
  const report = await get(`snapshots/${beside.number}/report`, signal);
  const zero = report.attempts.find((one) => one.number === report.attempt)?.from_s ?? report.attempts[0]?.from_s;
  return zero === undefined ? null : { report, zero, number: beside.number,
    label: `${clock(beside.wall)}, ${outcome(beside.outcome).toLowerCase()}` };
}

const drawing = (one, from, to, columns, signal) => {
  const start = Math.max(0, one.zero + from);
  const end = Math.min(one.report.duration_s, one.zero + to);
  return start < end ? draw(one.number, start, end, columns, signal) : null;
};

/* The keys above the traces: named stretches, and steps from there. `change(view)` shows another one. */
function viewKeys(choices, whole, view, change) {
  const keys = choices.map(([name, from, to], index) => button(name, () => {
    press(index);
    change({ from, to });
  }));
  const press = (index) => keys.forEach((key, place) => key.setAttribute("aria-pressed", String(place === index)));
  const step = (next) => {
    press(-1);
    change(next);
  };
  const zoom = (factor, share) => step(scaled(view(), whole, factor, share));
  const move = (share) => step(moved(view(), whole, share));
  press(0);
  return { zoom, move, home: () => keys.at(-1).click(), element: make("div", { class: "keys" },
    make("p", { class: "row views three" }, keys),
    make("p", { class: "row views four" }, button("Earlier", () => move(-0.5)), button("Later", () => move(0.5)),
      button("Closer", () => zoom(0.5)), button("Wider", () => zoom(2)))) };
}

/* A key that takes the good attempt away and puts it back. */
function pairKey(toggle) {
  const key = button("Good attempt beneath", () => key.setAttribute("aria-pressed", String(toggle())), { "aria-pressed": "true" });
  return make("p", { class: "row views" }, key);
}

export async function picture(root, { subject, report, engaged, beside, signal }) {
  const own = { report, number: subject.number, zero: engaged ?? report.verdict?.at_s ?? 0 };
  const other = beside ? await besideOf(beside, signal).catch(() => null) : null;
  const choices = windows(report, own.zero);
  const whole = { from: -own.zero, to: report.duration_s - own.zero };
  const canvas = make("div", { class: "traces" });
  const problem = make("p", { role: "status" });
  let view = { from: choices[0][1], to: choices[0][2] };
  let together = other !== null;
  let shown = null;
  let turn = 0;
  const lanes = stack(canvas, { signal, tap: (at, channel) => reading.tap(at, channel),
    axisName: engaged === null ? "seconds of the record" : "seconds from the starter's engagement" });
  const paint = () => {
    if (shown) lanes.redraw(shown, viewOf(report, own.zero, view.from, view.to, reading.taps(), canvas.clientWidth, own.drawing));
  };
  const reading = reader({ rpm: report.attempts.find((one) => one.number === report.attempt)?.rpm ?? null, changed: paint,
    channels: () => shown?.flatMap((one) => one.lanes).filter((one) => !one.beneath) ?? [] });
  const fetchAndPaint = async () => {
    const mine = ++turn;
    const columns = Math.max(200, canvas.clientWidth - 70);
    const [first, second] = await Promise.all([drawing(own, view.from, view.to, columns, signal),
      together ? drawing(other, view.from, view.to, columns, signal) : null]);
    if (mine !== turn || !first) return;
    own.drawing = first;
    shown = paired(own, together && second ? { ...other, drawing: second } : null);
    paint();
    reading.read();
  };
  const soon = later(fetchAndPaint, problem, signal);
  const keys = viewKeys(choices, whole, () => view, (next) => {
    view = next;
    soon();
  });
  gestures(canvas, { ...keys, left: MARGIN, right: 10, page: true }, signal);
  root.append(make("section", { class: "part" }, make("h2", {}, "What the leads showed"), keys.element, canvas, problem,
    other ? pairKey(() => {
      together = !together;
      soon();
      return together;
    }) : null, reading.element));
  await new Promise(requestAnimationFrame);
  await fetchAndPaint();
}
