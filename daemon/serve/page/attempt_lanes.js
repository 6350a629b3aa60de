// SPDX-License-Identifier: Apache-2.0
// What is drawn of an attempt: its lanes counted from the starter's engagement, the good one's beneath each.
import { quantity, span } from "./figures.js";
import { groups, titleOf } from "./groups.js";
import { limitsOf, outOf, stateOf, within } from "./judged.js";
import { mostSamples, singles, timesOf } from "./lanes.js";
import { ticks, tickText } from "./ticks.js";

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
    moments: out.map((one) => ({ at: one.from - zero, text: `${one.fault.replaceAll("-", " ")}, ${span(one.from - zero)} in` })),
    spoken: `${channel.channel}: between ${quantity(low, channel.unit)} and ${quantity(high, channel.unit)}; ` +
      out.map((one) => `${span(one.from - zero)} after the starter engaged: ${one.text}`).join(" ") };
}

/* Stretches to look at, in seconds from the engagement. */
export function windows(report, zero) {
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

export function viewOf(report, zero, from, to, taps, width, drawing) {
  const places = ticks(from, to - (to - from) * 0.03, width > 700 ? 9 : 4);
  return { from, to, taps, splits: places, splitTexts: tickText(places), samples: singles(drawing) && width > 6 * mostSamples(drawing),
    phases: phasesOf(report, zero),
    losses: drawing.losses.map((one) => ({ from: one.from_s - zero, to: one.to_s - zero })) };
}

/* The lanes of both attempts, pair by pair: `other` may be null. */
export function paired(own, other) {
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
