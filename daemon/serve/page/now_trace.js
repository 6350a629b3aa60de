// SPDX-License-Identifier: Apache-2.0
// One lead's newest seconds as its samples are, out of the ring: what a number twice a second cannot show.
import { draw } from "./ask.js";
import { titleOf } from "./groups.js";
import { stack, timesOf } from "./lanes.js";
import { button, make } from "./make.js";
import { ticks, tickText } from "./ticks.js";

const LENGTHS = [["0.1 s", 0.1], ["1 s", 1], ["10 s", 10]];
const EVERY_MS = 1000;
const LATE_S = 1.5; // the newest block may still be open: the newest sample lies that far back at most
const MOST = 4000; // columns of a drawing

const first = (channels) => channels.find((one) => one.role === "signal") ?? channels[0];

function chooser(channels, choose) {
  const select = make("select", { id: "lead", onchange: () => choose(channels.find((one) => one.channel === select.value)) },
    channels.map((one) => make("option", { value: one.channel }, titleOf(one, false))));
  select.value = first(channels).channel;
  return make("label", { for: "lead", class: "whole" }, "Lead", select);
}

/* `elapsed()`: the logger's elapsed seconds, as it said last. */
export function nowTrace({ channels, elapsed, signal }) {
  const canvas = make("div", { class: "traces" });
  const said = make("p", { class: "quiet small", role: "status" });
  const lanes = stack(canvas, { signal, axisName: "seconds before the newest sample" });
  let channel = first(channels);
  let length = LENGTHS[0][1];
  let busy = false;
  const paint = async () => {
    if (busy || document.hidden) return;
    busy = true;
    try {
      const end = elapsed();
      const drawing = await draw(null, Math.max(0, end - length - LATE_S), end,
        Math.min(MOST, Math.max(200, canvas.clientWidth - 70) * (length + LATE_S) / length), signal, [channel.channel]);
      const drawn = drawing.channels[0];
      const times = timesOf(drawing, drawn);
      const newest = times.findLast((_, index) => drawn.low[index] !== null) ?? end;
      const places = ticks(-length, -length * 0.02, canvas.clientWidth > 700 ? 9 : 4);
      lanes.redraw([{ title: null, lanes: [{ channel, title: titleOf(channel, false), unit: channel.unit ?? "V", times: times.map((one) => one - newest),
        low: drawn.low, high: drawn.high, out: drawn.low.map(() => false), state: null, height: 150 }] }],
      { from: -length, to: 0, zero: false, splits: places, splitTexts: tickText(places), phases: [],
        losses: drawing.losses.map((one) => ({ from: one.from_s - newest, to: one.to_s - newest })) });
      said.textContent = "";
    } catch (problem) {
      if (!signal.aborted) said.textContent = problem.message;
    } finally {
      busy = false;
    }
  };
  const keys = LENGTHS.map(([text, seconds]) => button(text, () => {
    length = seconds;
    for (const key of keys) key.setAttribute("aria-pressed", String(key.textContent === text));
    paint();
  }, { "aria-pressed": String(seconds === length) }));
  const timer = setInterval(paint, EVERY_MS);
  signal.addEventListener("abort", () => clearInterval(timer));
  requestAnimationFrame(paint);
  return make("section", { class: "part" }, make("h2", {}, "Live trace"), make("div", { class: "row" }, chooser(channels, (next) => {
    channel = next;
    paint();
  }), make("div", { class: "row" }, keys)), canvas, said);
}
