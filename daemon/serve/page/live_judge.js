// SPDX-License-Identifier: Apache-2.0
// A lead judged as it stands now, by what its role must show in this phase. Cautious: a sheet of paper
// before a test crank, not the analysis. Numbers: common practice, no source.
import { quantity, range } from "./figures.js";

export const NO_SAMPLE = "no new sample";
const KEYED = ["key-on", "cranking", "running"];

/* {state: in | out | unknown, value, why} of a channel of the hookup and its reading of cranktrap.now/1. */
export function judge(channel, reading, phase) {
  if (!reading || !reading.fresh) return { state: "unknown", value: NO_SAMPLE, why: null };
  const { lowest, highest, average, unit } = reading;
  const mean = quantity(average, unit);
  const said = (state, why = null, value = mean) => ({ state, value, why });
  if (channel.role === "battery") {
    const low = phase === "cranking" ? 9.6 : 11;
    return average >= low && average < 16 ? said("in") : said("out", `${low} to 16 V expected`);
  }
  if (!KEYED.includes(phase)) return said("unknown", "judged with the key on");
  if (channel.role === "feed" && channel.nominal) {
    const room = channel.nominal * 0.05;
    return lowest >= channel.nominal - room && highest <= channel.nominal + room ? said("in")
      : said("out", `${channel.nominal} V expected`, range(lowest, highest, unit));
  }
  if (channel.role === "return") {
    return average < 0.1 ? said("in") : said("out", "below 0.10 V expected");
  }
  if (channel.role === "signal") {
    if (phase === "key-on") return said("unknown", "judged while it turns");
    return reading.edges_per_s > 0 ? said("in", null, `${Math.round(reading.edges_per_s)} edges/s`) : said("out", "no edges");
  }
  return said("unknown");
}
