// SPDX-License-Identifier: Apache-2.0
// A lead judged as it stands now, by what its role must show in this phase. Cautious: a sheet of paper
// before a test crank, not the analysis. Numbers: common practice, no source.
import { quantity } from "./figures.js";

const KEYED = ["key-on", "cranking", "running"];

/* {state: in | out | unknown, text} of a channel of the hookup and its reading of cranktrap.now/1. */
export function judge(channel, reading, phase) {
  if (!reading || !reading.fresh) return { state: "unknown", text: "no sample" };
  const { lowest, highest, average, unit } = reading;
  const value = quantity(average, unit);
  if (channel.role === "battery") {
    const low = phase === "cranking" ? 9.6 : 11;
    return average >= low && average < 16 ? { state: "in", text: value } : { state: "out", text: `${value}; ${low} to 16 V expected` };
  }
  if (!KEYED.includes(phase)) return { state: "unknown", text: `${value}; judged with the key on` };
  if (channel.role === "feed" && channel.nominal) {
    const room = channel.nominal * 0.05;
    return lowest >= channel.nominal - room && highest <= channel.nominal + room ? { state: "in", text: value }
      : { state: "out", text: `${quantity(lowest, unit)} to ${quantity(highest, unit)}; ${channel.nominal} V expected` };
  }
  if (channel.role === "return") {
    return average < 0.1 ? { state: "in", text: value } : { state: "out", text: `${value}; below 0.10 V expected` };
  }
  if (channel.role === "signal") {
    if (phase === "key-on") return { state: "unknown", text: `${value}; judged while the engine turns` };
    return reading.edges_per_s > 0 ? { state: "in", text: `${Math.round(reading.edges_per_s)} edges a second` } : { state: "out", text: `${value}, no edges` };
  }
  return { state: "unknown", text: value };
}
