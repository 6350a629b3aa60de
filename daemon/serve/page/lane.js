// SPDX-License-Identifier: Apache-2.0
// One channel against time: the envelope of its lowest and highest samples, its limits, the phases behind it.
import { colours } from "./colours.js";
import { ticks, tickText } from "./ticks.js";

export const MARGIN = 58; // for the numbers at the left, in CSS pixels
const SHADES = { "key-on": 0.05, "cranking": 0.13, "running": 0.08 };

function bounds(lane) {
  let low = Infinity;
  let high = -Infinity;
  for (const values of [lane.low, ...(lane.share ? [lane.share.low] : [])]) for (const one of values) if (one !== null && one < low) low = one;
  for (const values of [lane.high, ...(lane.share ? [lane.share.high] : [])]) for (const one of values) if (one !== null && one > high) high = one;
  if (low > high) return [0, 1];
  for (const limit of lane.limits ?? []) {
    if (limit.low !== null) low = Math.min(low, limit.low);
    if (limit.high !== null) high = Math.max(high, limit.high);
  }
  const least = lane.unit === "V" ? 0.2 : 1;
  const room = Math.max((high - low) * 0.08, (least - (high - low)) / 2, 0);
  return [low - room, high + room];
}

function behind(lane, view, plot) {
  const { ctx, bbox } = plot;
  const colour = colours();
  const x = (at) => Math.min(bbox.left + bbox.width, Math.max(bbox.left, plot.valToPos(at, "x", true)));
  ctx.save();
  for (const phase of lane.phases ?? view.phases) {
    if (phase.to < view.from || phase.from > view.to || !SHADES[phase.name]) continue;
    ctx.fillStyle = colour.shade(SHADES[phase.name]);
    ctx.fillRect(x(phase.from), bbox.top, x(phase.to) - x(phase.from), bbox.height);
  }
  for (const loss of view.losses ?? []) hatch(ctx, bbox, x(loss.from), Math.max(x(loss.to), x(loss.from) + 3), colour.unknown);
  ctx.setLineDash([6, 5]);
  ctx.lineWidth = devicePixelRatio;
  ctx.strokeStyle = colour.soft;
  for (const limit of lane.limits ?? []) {
    for (const value of [limit.low, limit.high]) {
      if (value === null) continue;
      const y = plot.valToPos(value, "y", true);
      ctx.beginPath();
      ctx.moveTo(bbox.left, y);
      ctx.lineTo(bbox.left + bbox.width, y);
      ctx.stroke();
    }
  }
  ctx.restore();
}

function hatch(ctx, bbox, from, to, colour) {
  ctx.save();
  ctx.beginPath();
  ctx.rect(from, bbox.top, to - from, bbox.height);
  ctx.clip();
  ctx.strokeStyle = colour;
  ctx.lineWidth = devicePixelRatio;
  for (let at = from - bbox.height; at < to; at += 7 * devicePixelRatio) {
    ctx.beginPath();
    ctx.moveTo(at, bbox.top + bbox.height);
    ctx.lineTo(at + bbox.height, bbox.top);
    ctx.stroke();
  }
  ctx.restore();
}

function before(lane, view, plot) {
  const { ctx, bbox } = plot;
  const colour = colours();
  const upright = (at, style, width, dash) => {
    if (at === null || at === undefined || at < view.from || at > view.to) return;
    const x = plot.valToPos(at, "x", true);
    ctx.setLineDash(dash);
    ctx.strokeStyle = style;
    ctx.lineWidth = width * devicePixelRatio;
    ctx.beginPath();
    ctx.moveTo(x, bbox.top);
    ctx.lineTo(x, bbox.top + bbox.height);
    ctx.stroke();
  };
  ctx.save();
  if (view.zero !== false) upright(0, colour.ink, 1, []);
  for (const one of lane.moments ?? []) upright(one.at, colour.out, 2, [3, 4]);
  for (const at of view.taps ?? []) upright(at, colour.ink, 2, [8, 4]);
  if (view.taps?.length === 2) {
    const [left, right] = view.taps.map((at) => plot.valToPos(Math.min(view.to, Math.max(view.from, at)), "x", true));
    ctx.fillStyle = colour.shade(0.1);
    ctx.fillRect(left, bbox.top, right - left, bbox.height);
  }
  sayMoment(lane, view, plot, colour.out);
  ctx.restore();
}

/* The first moment in view is said beside its line: on the quieter side, where it has room. */
function sayMoment(lane, view, plot, style) {
  const first = (lane.moments ?? []).find((one) => one.at >= view.from && one.at <= view.to);
  if (!first?.text) return;
  const { ctx, bbox } = plot;
  const x = plot.valToPos(first.at, "x", true);
  const right = lane.channel?.role === "signal" ? x < bbox.left + bbox.width / 2 : x < bbox.left + bbox.width / 4;
  const room = right ? bbox.left + bbox.width - x : x - bbox.left;
  ctx.font = `600 ${12 * devicePixelRatio}px ${getComputedStyle(document.body).fontFamily}`;
  if (ctx.measureText(first.text).width > room - 8 * devicePixelRatio) return;
  ctx.fillStyle = style;
  ctx.strokeStyle = colours().paper;
  ctx.lineWidth = 5 * devicePixelRatio;
  ctx.lineJoin = "round";
  ctx.setLineDash([]);
  ctx.textAlign = right ? "left" : "right";
  ctx.textBaseline = "middle";
  const place = [first.text, x + (right ? 7 : -7) * devicePixelRatio, bbox.top + bbox.height / 2];
  ctx.strokeText(...place); // over the trace it stays legible
  ctx.fillText(...place);
}

const only = (values, mask) => values.map((one, index) => (mask[index] ? one : null));

/* Draws `lane` {low, high, times, out[], limits, moments: [{at, text}], unit, state} into `where`; the uPlot object. */
export function drawLane(where, lane, view, options) {
  const colour = colours();
  const [low, high] = bounds(lane);
  const tone = lane.state === "in" ? colour.in : colour.ink;
  const line = (stroke, width) => ({ stroke, width, points: { show: view.samples === true, size: 4, fill: stroke }, spanGaps: false });
  const axisFont = `12px ${getComputedStyle(document.body).fontFamily}`;
  const axis = { stroke: colour.soft, font: axisFont, grid: { show: false }, ticks: { stroke: colour.rule, size: 5, width: 1 } };
  const plot = new window.uPlot({
    width: options.width, height: options.height + (options.axis ? 34 : 0), padding: [6, 10, options.axis ? 0 : 6, 0],
    legend: { show: false }, cursor: { show: false }, select: { show: false },
    scales: { x: { time: false, range: () => [view.from, view.to] }, y: { range: () => [low, high] } },
    axes: [
      { ...axis, show: options.axis, size: 34, splits: () => view.splits, values: () => view.splitTexts },
      { ...axis, size: MARGIN, gap: 4, splits: () => ticks(low, high, options.height > 120 ? 5 : options.height > 70 ? 3 : 2),
        values: (_, values) => tickText(values).map((text, index, all) => (index === all.length - 1 ? `${text}\u00a0${lane.unit}` : text)) },
    ],
    series: [{}, line(tone, 1.3), line(tone, 1.3), line(colour.out, 2.2), line(colour.out, 2.2)],
    bands: [{ series: [2, 1], fill: tone }, { series: [4, 3], fill: colour.out }],
    hooks: { drawClear: [(made) => behind(lane, view, made)], draw: [(made) => before(lane, view, made)] },
  }, [lane.times, lane.low, lane.high, only(lane.low, lane.out), only(lane.high, lane.out)], where);
  if (options.tap) {
    plot.over.addEventListener("click", (event) => {
      const box = plot.over.getBoundingClientRect();
      options.tap(plot.posToVal(event.clientX - box.left, "x"));
    });
  }
  return plot;
}
