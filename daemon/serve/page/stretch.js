// SPDX-License-Identifier: Apache-2.0
// A stretch between two taps, read as sentences.
import { quantity, share, span } from "./figures.js";

/* Extremes and ends of one drawn channel between two seconds; null where nothing was sampled. */
export function measure(channel, times, from, to) {
  const result = { first: null, last: null, lowest: null, highest: null, average: null };
  let sum = 0;
  let number = 0;
  for (let i = 0; i < times.length; i += 1) {
    const low = channel.low[i];
    const high = channel.high[i];
    if (times[i] < from || times[i] > to || low === null || high === null) continue;
    const middle = channel.mean?.[i] ?? (low + high) / 2;
    result.first ??= middle;
    result.last = middle;
    result.lowest = result.lowest === null ? low : Math.min(result.lowest, low);
    result.highest = result.highest === null ? high : Math.max(result.highest, high);
    sum += middle;
    number += 1;
  }
  if (number === 0) return null;
  result.average = sum / number;
  return result;
}

/* Share of the time at the high level, of an on/off signal: mean = low + duty x swing. */
export function duty(measured) {
  const swing = measured.highest - measured.lowest;
  return swing > 1 ? Math.min(1, Math.max(0, (measured.average - measured.lowest) / swing)) : null;
}

/* "0.25 s, 257 degrees of the crank at 171 rpm." */
export function length(from, to, rpm) {
  const seconds = to - from;
  const turned = rpm ? `, ${Math.round(rpm * 6 * seconds)}° of the crank at ${Math.round(rpm)}\u00a0rpm` : "";
  const often = seconds > 0 && seconds < 1 ? `; once each is ${(1 / seconds).toFixed(1)} a second` : "";
  return span(seconds) + turned + often + ".";
}

/* What one channel did meanwhile. */
export function sentence(channel, measured, from, to) {
  if (!measured) return "nothing was sampled here.";
  const unit = channel.unit ?? "V";
  const [lowest, highest] = [quantity(measured.lowest, unit), quantity(measured.highest, unit)];
  const range = lowest === highest ? `at ${lowest}` : `between ${lowest} and ${highest}`;
  if (channel.role === "signal" || channel.role === "command") {
    const high = duty(measured);
    if (high === null) return `stood ${range}: no pulses.`;
    return `switched ${range}, high for ${share(high)}; an averaging meter would read ${quantity(measured.average, unit)}.`;
  }
  const change = measured.last - measured.first;
  if (Math.abs(change) < 0.02 * Math.max(1, Math.abs(measured.first))) return `stayed ${range}.`;
  const rate = to > from ? `, ${quantity(change / (to - from), unit)} a second` : "";
  const sign = change > 0 ? "+" : "";
  return `went from ${quantity(measured.first, unit)} to ${quantity(measured.last, unit)} ` +
    `(${sign}${quantity(change, unit)}${rate}); ${range}.`;
}
