// SPDX-License-Identifier: Apache-2.0
// The strip: the battery over the night with phases, losses and attempts; closer, every lead; closest, single samples.
import { draw, get } from "./ask.js";
import { instant, long } from "./figures.js";
import { gestures, later } from "./gestures.js";
import { groups, titleOf } from "./groups.js";
import { horizonOver } from "./horizon.js";
import { MARGIN } from "./lane.js";
import { mostSamples, singles, stack, timesOf } from "./lanes.js";
import { button, make } from "./make.js";
import { clamp, clockOf, moved, scaled } from "./night_window.js";
import { clockTicks, ticks } from "./ticks.js";
import { outcome } from "./words.js";

const MARKS_SHOWN = 5;
const EVERY_LEAD = 120; // seconds: below it all leads are drawn

const NOTHING = { marks: [], phases: [], losses: [] }; // a strip without its marks is still a strip

function wholeOf(list, status) {
  const times = list.attempts.map((one) => one.elapsed_s).filter((one) => one !== null && one <= status.elapsed_s);
  const oldest = status.elapsed_s - (status.ring?.oldest_age_s ?? 0);
  const from = Math.min(oldest, ...(status.ring?.oldest_age_s ? [] : times.map((one) => one - 60)));
  return { from, to: Math.max(status.elapsed_s, from + 1) };
}

function axis(view, status, width) {
  const now = instant(status.wall);
  const length = view.to - view.from;
  const most = width > 700 ? 10 : 4;
  const shift = now === null ? 0 : now - status.elapsed_s;
  const edge = view.to - length * 0.03; // a number at the very edge would be cut
  const [from, to] = [view.from + shift, view.to + shift];
  const round = (clockTicks(from, to, most) ?? ticks(from, to, most)).map((one) => one - shift).filter((one) => one <= edge);
  return { splits: round, splitTexts: round.map((at) => clockOf(at, status.elapsed_s, now, length)) };
}

/* Marks beside those of the starter, which are on the strip as attempts. */
const told = (marks) => marks.marks.filter((one) => one.name !== "cranking");

function markRows(marks, status, length) {
  const now = instant(status.wall);
  const all = length > EVERY_LEAD ? firstOfEach(told(marks)) : told(marks);
  const some = all.slice(0, MARKS_SHOWN);
  const more = told(marks).length - some.length;
  return [...some.map((one) => make("li", {}, `${clockOf(one.at_s, status.elapsed_s, now, Math.max(length, 10))} ${one.text ?? one.name}`)),
    more > 0 ? make("li", {}, `and ${more} more; look closer`) : null].filter(Boolean);
}

/* From afar the marks of one snapshot are one: its first. */
function firstOfEach(marks) {
  const seen = new Set();
  return marks.filter((one) => one.snapshot === null || one.snapshot === undefined || (!seen.has(one.snapshot) && seen.add(one.snapshot)));
}

function lanesOf(drawing, channels, marks) {
  const known = channels.filter((one) => drawing.channels.some((drawn) => drawn.name === one.channel));
  const moments = told(marks).map((one) => ({ at: one.at_s }));
  return groups(known).map(({ title, channels: some }) => ({ title: known.length > 1 ? title : null, lanes: some.map((channel) => {
    const drawn = drawing.channels.find((one) => one.name === channel.channel);
    return { channel, title: titleOf(channel), unit: channel.unit ?? "V", times: timesOf(drawing, drawn), low: drawn.low, high: drawn.high,
      out: drawn.low.map(() => false), state: null, moments: known.length > 1 && channel !== known[0] ? [] : moments, height: known.length > 1 ? undefined : 150 };
  }) }));
}

function keysOf(list, view) {
  return list.attempts.filter((one) => one.outcome !== null && one.elapsed_s >= view.from && one.elapsed_s <= view.to).slice(0, 4)
    .map((one) => make("a", { class: "key", href: `#/attempt/${one.number}` }, `Attempt ${one.number}: ${outcome(one.outcome).toLowerCase()}`));
}

export async function strip(where, { list, status, signal }) {
  const whole = wholeOf(list, status);
  let view = { ...whole };
  const channels = (await get("now", signal)).channels;
  const battery = channels.find((one) => one.role === "battery") ?? channels[0];
  const canvas = make("div", { class: "strip", tabindex: "0", role: "group", "aria-label":
    "Strip of the night. Arrow keys left and right move, plus and minus look closer and wider, Home shows all." });
  const said = make("p", { class: "quiet small", role: "status" });
  const keys = make("p", { class: "row" });
  const moments = make("ul", { class: "moments small", "aria-label": "Marks in this stretch" });
  const sky = make("figure", { class: "sky" });
  const lanes = stack(canvas, { signal, axisName: "clock time of the logger" });
  let turn = 0;
  const paint = async () => {
    const mine = ++turn;
    const { from, to } = view;
    const length = to - from;
    const columns = Math.max(200, canvas.clientWidth - 70);
    sky.replaceChildren(horizonOver(list.attempts.filter((one) => one.outcome !== null), view));
    const only = length > EVERY_LEAD && battery ? [battery.channel] : undefined;
    const [drawing, marks] = await Promise.all([draw(null, from, to, columns, signal, only),
      get(`ring/marks?from_s=${from}&to_s=${to}`, signal).catch(() => NOTHING)]);
    if (mine !== turn) return;
    const wanted = only ? [battery] : channels;
    lanes.redraw(lanesOf(drawing, wanted, marks), { ...view, zero: false, ...axis(view, status, canvas.clientWidth),
      phases: marks.phases.map((one) => ({ name: one.name, from: one.from_s, to: one.to_s })),
      losses: (drawing.losses.length ? drawing.losses : marks.losses).map((one) => ({ from: one.from_s, to: one.to_s })), samples: singles(drawing) && canvas.clientWidth > 6 * mostSamples(drawing) });
    said.textContent = `${length < 60 ? length.toPrecision(2) + " s" : long(length)} shown; ` +
      (singles(drawing) ? "every point is one sample." : drawing.samples_per_column === null ? "lowest and highest of all samples in each column."
        : `lowest and highest of ${Math.max(1, Math.round(drawing.samples_per_column)).toLocaleString("en")} samples in each column.`) +
      (only ? " Closer than two minutes, every lead is drawn." : "");
    moments.replaceChildren(...markRows(marks, status, length));
    keys.replaceChildren(...(length < 3600 * 2 ? keysOf(list, view) : []));
  };
  const soon = later(paint, said, signal);
  const change = (next) => {
    view = clamp(next, whole);
    soon();
  };
  const zoom = (factor, share) => change(scaled(view, whole, factor, share));
  const move = (share) => change(moved(view, whole, share));
  const home = () => change({ ...whole });
  gestures(canvas, { zoom, move, home, left: MARGIN, right: 10 }, signal);
  const failed = list.attempts.filter((one) => one.failed && one.elapsed_s >= whole.from);
  where.replaceChildren(make("p", { class: "row views three" }, button("Closer", () => zoom(0.4)), button("Wider", () => zoom(2.5)),
    button("Earlier", () => move(-0.5)), button("Later", () => move(0.5)), button("All", home),
    failed.length ? button("The failed one", () => change({ from: failed.at(-1).elapsed_s - 5, to: failed.at(-1).elapsed_s + 10 })) : null),
  sky, canvas, said, moments, keys);
  await new Promise(requestAnimationFrame);
  await paint();
}
