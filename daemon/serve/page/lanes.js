// SPDX-License-Identifier: Apache-2.0
// Lanes stacked by sensor over one axis, and what two taps choose on it.
import { onScheme } from "./colours.js";
import { make } from "./make.js";
import { MARGIN, drawLane } from "./lane.js";
import { phase as phaseWord } from "./words.js";

const STATES = { in: "in limits", out: "out of limits", unknown: "no limit known" };

function phaseRow(view) {
  const length = view.to - view.from;
  const row = make("div", { class: "phases", "aria-hidden": "true" });
  for (const phase of view.phases) {
    const from = Math.max(phase.from, view.from);
    const to = Math.min(phase.to, view.to);
    if (to - from < length * 0.04) continue;
    const label = make("span", {}, phaseWord(phase.name));
    const place = (share) => `calc(${MARGIN}px + (100% - ${MARGIN + 10}px) * ${share})`;
    label.style.left = place((from - view.from) / length);
    label.style.width = `calc((100% - ${MARGIN + 10}px) * ${(to - from) / length})`;
    row.append(label);
  }
  return row.firstChild ? row : null;
}

/* "4.75 to 5.25 V", "at most 0.10 V"; of a signal, shorter, "low \u2264 0.50 V" and "high \u2265 4.50 V". */
function limitText(limit, lane) {
  const { low, high } = limit;
  const [least, most] = { signal: ["high \u2265", "low \u2264"], battery: ["average at least", "average at most"] }[lane.channel?.role] ??
    ["at least", "at most"];
  if (low !== null && high !== null) return `${low.toFixed(2)} to ${high.toFixed(2)}\u00a0${lane.unit}`;
  return low !== null ? `${least} ${low.toFixed(2)}\u00a0${lane.unit}` : `${most} ${high.toFixed(2)}\u00a0${lane.unit}`;
}

function laneName(lane) {
  const limits = (lane.limits ?? []).map((one) => limitText(one, lane));
  return make("p", { class: "name" },
    make("span", {}, lane.title + (lane.note ? `, ${lane.note}` : "")),
    lane.beneath ? null : make("span", {},
      limits.length ? make("span", { class: "quiet" }, limits.join(", ") + " ") : null,
      lane.state ? make("span", { class: `state ${lane.state}` }, lane.stateText ?? STATES[lane.state]) : null));
}

/*
 * Draws groups [{title, lanes}] into `where`. `view`: {from, to, splits, splitTexts, phases, losses, taps};
 * `tap(at, channel)` is called with the place that was tapped. Answers {redraw(groups, view)}.
 */
export function stack(where, { tap, axisName, signal }) {
  let plots = [];
  let shown = null;
  const clear = () => {
    for (const plot of plots) plot.destroy();
    plots = [];
  };
  const paint = () => {
    if (!shown) return;
    const { groups, view } = shown;
    clear();
    const width = Math.max(240, Math.floor(where.clientWidth));
    const wide = width > 700;
    const drawn = make("div", { class: "lanes" });
    const phases = phaseRow(view);
    if (phases) drawn.append(phases);
    where.replaceChildren(drawn);
    for (const group of groups) {
      if (group.title) drawn.append(make("h3", {}, group.title));
      for (const lane of group.lanes) {
        const canvas = make("div", { role: "img", "aria-label": lane.spoken ?? lane.title });
        drawn.append(make("div", { class: lane.beneath ? "lane beneath" : "lane" }, laneName(lane), canvas));
        const height = lane.height ?? (lane.beneath ? 46 : wide ? 96 : 78);
        plots.push(drawLane(canvas, lane, view, { width, height, axis: lane === group.lanes.at(-1),
          tap: tap && ((at) => tap(at, lane.channel.channel)) }));
      }
    }
    drawn.append(make("p", { class: "axis-name" }, axisName));
  };
  let width = where.clientWidth;
  const watcher = new ResizeObserver(() => {
    if (Math.abs(where.clientWidth - width) < 2) return;
    width = where.clientWidth;
    paint();
  });
  watcher.observe(where);
  onScheme(paint, signal);
  signal.addEventListener("abort", () => {
    watcher.disconnect();
    clear();
  });
  return {
    redraw(groups, view) {
      shown = { groups, view };
      paint();
    },
  };
}

/* Whether a drawing has single samples, and how many of the fastest channel. */
export const singles = (drawing) => drawing.channels.some((one) => one.t);
export const mostSamples = (drawing) => Math.max(0, ...drawing.channels.map((one) => one.t?.length ?? 0));

/* Seconds in the middle of each column of a drawing, or the times of its samples. */
export function timesOf(drawing, channel) {
  if (channel.t) return channel.t;
  const step = (drawing.to_s - drawing.from_s) / drawing.columns;
  return channel.low.map((_, index) => drawing.from_s + (index + 0.5) * step);
}
