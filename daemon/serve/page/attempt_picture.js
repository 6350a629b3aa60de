// SPDX-License-Identifier: Apache-2.0
// The traces of an attempt from the starter's engagement, the good one beneath, and two taps read out.
import { draw, get } from "./ask.js";
import { clock, quantity, span } from "./figures.js";
import { groups, titleOf } from "./groups.js";
import { limitsOf, outOf, stateOf, within } from "./judged.js";
import { mostSamples, singles, stack, timesOf } from "./lanes.js";
import { button, make } from "./make.js";
import { reader } from "./reader.js";
import { ticks, tickText } from "./ticks.js";
import { outcome } from "./words.js";

function extremes(values, pick) {
  const there = values.filter((one) => one !== null);
  return there.length ? pick(...[there.reduce((a, b) => pick(a, b))]) : null;
}

/* One channel of a drawing, its seconds counted from the engagement. */
function lane(report, drawing, channel, zero) {
  const drawn = drawing.channels.find((one) => one.name === channel.channel);
  if (!drawn) return null;
  const times = timesOf(drawing, drawn);
  const out = outOf(report, channel);
  const low = extremes(drawn.low, Math.min);
  const high = extremes(drawn.high, Math.max);
  const state = stateOf(report, channel);
  const failed = report.checks.some((one) => one.channel === channel.channel && one.result === "fail");
  const title = titleOf(channel);
  return { channel, mean: drawn.mean, title, unit: channel.unit, state, stateText: state === "out" && !failed ? "disturbed" : null, limits: limitsOf(report, channel),
    times: times.map((one) => one - zero), low: drawn.low, high: drawn.high,
    out: within(times, out),
    moments: report.verdict?.channel === channel.channel && report.verdict.at_s !== null ? [report.verdict.at_s - zero] : [],
    spoken: `${channel.channel}: between ${quantity(low, channel.unit)} and ${quantity(high, channel.unit)}; ` +
      out.map((one) => `${span(one.from - zero)} after the starter engaged: ${one.text}`).join(" ") };
}

/* Stretches to look at, in seconds from the engagement. */
function windows(report, zero) {
  const attempt = report.attempts.find((one) => one.number === report.attempt) ?? report.attempts[0];
  const end = attempt ? attempt.to_s - zero : report.duration_s - zero;
  const at = report.verdict?.at_s ?? null;
  const result = [];
  if (at !== null) result.push(["The moment", at - zero - 0.35, at - zero + 0.55]);
  if (attempt) result.push(["The attempt", -Math.max(0.5, end * 0.15), end * 1.25]);
  result.push(["All of it", -zero, report.duration_s - zero]);
  return result;
}

const phasesOf = (report, zero) =>
  report.phases.map((one) => ({ name: one.name, from: one.from_s - zero, to: one.to_s - zero }));

function viewOf(report, zero, from, to, taps, width, drawing) {
  const places = ticks(from, to - (to - from) * 0.03, width > 700 ? 9 : 4);
  return { from, to, taps, splits: places, splitTexts: tickText(places), samples: singles(drawing) && width > 6 * mostSamples(drawing),
    phases: phasesOf(report, zero),
    losses: drawing.losses.map((one) => ({ from: one.from_s - zero, to: one.to_s - zero })) };
}

/* The lanes of both attempts, pair by pair: `other` may be null. */
function paired(own, other) {
  const blamed = (one) => (one.channels.some((channel) => channel.channel === own.report.verdict?.channel) ? 0 : 1);
  const sorted = groups(own.report.channels).sort((a, b) => blamed(a) - blamed(b)); // where it broke stands first
  return sorted.map(({ title, channels }) => ({ title,
    lanes: channels.flatMap((channel) => {
      const mine = lane(own.report, own.drawing, channel, own.zero);
      if (!mine) return [];
      const twin = other && other.report.channels.find((one) => one.channel === channel.channel);
      const its = twin && lane(other.report, other.drawing, twin, other.zero);
      if (!its) return [mine];
      mine.share = its;
      return [mine, { ...its, beneath: true, title: other.label, limits: mine.limits, share: mine, moments: [],
        phases: phasesOf(other.report, other.zero) }];
    }) }));
}

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

export async function picture(root, { subject, report, engaged, beside, signal }) {
  const own = { report, number: subject.number, zero: engaged ?? report.verdict?.at_s ?? 0 };
  const other = beside ? await besideOf(beside, signal).catch(() => null) : null;
  const choices = windows(report, own.zero);
  const canvas = make("div", {});
  let [, from, to] = choices[0];
  let together = other !== null;
  const lanes = stack(canvas, { signal, tap: (at) => reading.tap(at),
    axisName: engaged === null ? "seconds of the record" : "seconds from the starter's engagement" });
  let shown = null;
  const paint = () => {
    if (shown) lanes.redraw(shown.groups, viewOf(report, own.zero, from, to, reading.taps(), canvas.clientWidth, own.drawing));
  };
  const rpm = report.attempts.find((one) => one.number === report.attempt)?.rpm ?? null;
  const reading = reader({ rpm, changed: paint, channels: () => shown?.groups.flatMap((one) => one.lanes).filter((one) => !one.beneath) ?? [] });
  let turn = 0;
  const fetchAndPaint = async () => {
    const mine = ++turn;
    const columns = Math.max(200, canvas.clientWidth - 70);
    const [first, second] = await Promise.all([drawing(own, from, to, columns, signal),
      together ? drawing(other, from, to, columns, signal) : null]);
    if (mine !== turn || !first) return;
    own.drawing = first;
    shown = { groups: paired(own, together && second ? { ...other, drawing: second } : null) };
    paint();
    reading.read();
  };
  const move = (shift, factor) => {
    const middle = (from + to) / 2 + shift * (to - from);
    const half = (to - from) / 2 * factor;
    [from, to] = [Math.max(-own.zero, middle - half), Math.min(report.duration_s - own.zero, middle + half)];
    press(-1);
    return fetchAndPaint();
  };
  const keys = choices.map(([name, a, b], index) => button(name, () => {
    [from, to] = [a, b];
    press(index);
    return fetchAndPaint();
  }));
  const press = (index) => keys.forEach((key, place) => key.setAttribute("aria-pressed", String(place === index)));
  press(0);
  const pair = other ? button("Good attempt beneath", () => {
    together = !together;
    pair.setAttribute("aria-pressed", String(together));
    return fetchAndPaint();
  }, { "aria-pressed": "true" }) : null;
  root.append(make("section", { class: "part" }, make("h2", {}, "What the leads showed"),
    make("p", { class: "row views three" }, keys), pair ? make("p", { class: "row views" }, pair) : null,
    make("p", { class: "row views four" }, button("Earlier", () => move(-0.5, 1)), button("Later", () => move(0.5, 1)),
      button("Closer", () => move(0, 0.5)), button("Wider", () => move(0, 2))),
    canvas, reading.element));
  await new Promise(requestAnimationFrame);
  await fetchAndPaint();
}
