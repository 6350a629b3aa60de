// SPDX-License-Identifier: Apache-2.0
// What differed in the failed attempts, in words and figures.
import { quantity, share, span } from "./figures.js";
import { make } from "./make.js";
import { capital, phase } from "./words.js";

function range(low, high, unit) {
  if (unit === "yes") return low === high ? (low ? "yes" : "no") : "some";
  const [from, to] = [quantity(low, unit), quantity(high, unit)];
  return from === to ? from : `${from} to ${to}`;
}

function table(readings) {
  return make("div", { class: "wide", tabindex: "0", role: "region", "aria-label": "What differed" }, make("table", { class: "stacked" },
    make("thead", {}, make("tr", {}, ["Reading", "Failed", "Started", "By chance"].map((one) => make("th", { scope: "col" }, one)))),
    make("tbody", {}, readings.map((one) => make("tr", {}, make("td", {}, one.reading),
      make("td", {}, range(one.failed_lowest, one.failed_highest, one.unit)),
      make("td", {}, range(one.started_lowest, one.started_highest, one.unit)), make("td", {}, share(one.chance)))))));
}

function again(recurs) {
  return recurs.map((one) => make("p", {}, `${capital(one.fault.replaceAll("-", " "))}${one.subject ? " of " + one.subject : ""}: ` +
    `${one.times} ${one.times === 1 ? "time" : "times"}` + (one.after_from_s === null ? "." :
    `, ${span(one.after_from_s)}${one.after_to_s > one.after_from_s ? " to " + span(one.after_to_s) : ""} after the starter engaged.`)));
}

export function contrast(night) {
  const apart = night.readings.filter((one) => one.apart).slice(0, 12);
  const parts = [make("h2", {}, "What differed in the failed ones"), ...again(night.recurs)];
  if (!night.failed || !night.started) {
    parts.push(make("p", {}, "Nothing to compare: it takes a failed attempt and one that started."));
  } else if (apart.length) {
    parts.push(table(apart), make("p", { class: "quiet small" }, `With ${night.failed} failed and ${night.started} started, no single ` +
      `reading can be less likely by chance than ${share(night.least_chance)} (both directions).`));
  } else {
    parts.push(make("p", {}, "No reading stood apart: each failed attempt looked like one that started."));
  }
  if (night.alike.length) {
    parts.push(make("p", {}, "Out of limits, but just as far in those that started, so not what decided it: " +
      night.alike.map((one) => `${one.check} of ${one.channel ?? "?"}, ${phase(one.phase)}`).join("; ") + "."));
  }
  if (night.repair) {
    parts.push(make("h3", { class: "part" }, "To prove a repair"), make("p", {}, `${share(night.repair.share)} of the attempts failed. ` +
      `${night.repair.clean_starts} clean starts in a row leave less than 5 % doubt, ${night.repair.clean_starts_1_percent} less than 1 %, ` +
      "if the fault comes as often as it did this night."));
  }
  return [make("section", { class: "part" }, parts)];
}
