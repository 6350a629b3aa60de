// SPDX-License-Identifier: Apache-2.0
// What a report says of one channel, for drawing: its limits, and where it was in or out of them.
// Colour follows this judgement and nothing else.

/* [{low, high, phase}] of the checks of a level; the same limit once. */
export function limitsOf(report, channel) {
  const seen = new Map();
  for (const check of report.checks) {
    if (check.channel !== channel.channel || check.unit !== channel.unit || /^average/.test(check.check)) continue;
    if (/surge/.test(check.check)) continue;
    seen.set(`${check.limit_low} ${check.limit_high}`, { low: check.limit_low, high: check.limit_high });
  }
  return [...seen.values()];
}

/* Stretches [{from, to}] in which the channel was found to be out. */
export function outOf(report, channel) {
  return report.findings
    .filter((one) => one.channel === channel.channel)
    .map((one) => ({ from: one.from_s, to: one.to_s ?? report.duration_s, text: one.text, fault: one.fault }));
}

/* "in", "out" or "unknown": what the checks said of it altogether. */
export function stateOf(report, channel) {
  const results = report.checks.filter((one) => one.channel === channel.channel).map((one) => one.result);
  if (results.includes("fail") || outOf(report, channel).length) return "out";
  return results.includes("pass") ? "in" : "unknown";
}

/* The columns of `times` that lie in one of the stretches; their neighbours too, so that lines meet. */
export function within(times, stretches) {
  const step = times.length > 1 ? times[1] - times[0] : 0;
  return times.map((time) => stretches.some((one) => time >= one.from - step && time <= one.to + step));
}
