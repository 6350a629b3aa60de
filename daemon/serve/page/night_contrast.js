// SPDX-License-Identifier: Apache-2.0
// What differed in the failed attempts, in words and figures; cautious where the night is too short to tell.
import { range, share, span } from "./figures.js";
import { make } from "./make.js";
import { capital, phase } from "./words.js";

const DOUBT = 0.05;
const SHOWN = 12;
const MORE = 200; // attempts: more than that is not said

const values = (low, high, unit) =>
  (unit === "yes" ? (low !== high ? "in some" : low ? "in all" : "in none") : range(low, high, unit));

/* "Feed collapse of crank-feed found" for the name that the logger has for it. */
const readingText = (text) => text.replace(/^[a-z-]+(?= of .* found$)/, (fault) => capital(fault.replaceAll("-", " ")));

/* How improbable a reading can get at all: outside all others on either side, 2 of all ways to fail. */
export function leastChance(failed, started) {
  if (!failed || !started) return 1;
  let ways = 1;
  for (let i = 1; i <= failed; i += 1) ways = ways * (started + i) / i;
  return Math.min(1, 2 / ways);
}

/* The fewest more attempts of one kind after which something could be said; null: it would take too many. */
export function wanted(failed, started, kind) {
  for (let more = 1; more <= MORE; more += 1) {
    const chance = kind === "failed" ? leastChance(failed + more, started) : leastChance(failed, started + more);
    if (chance <= DOUBT) return more;
  }
  return null;
}

function tooFew(night) {
  const { failed, started, least_chance: least } = night;
  if (least <= DOUBT) return null;
  const [one, other] = [wanted(failed, started, "failed"), wanted(failed, started, "started")];
  const needed = [one && `${one} more that ${one === 1 ? "fails" : "fail"}`, other && `${other} more that ${other === 1 ? "starts" : "start"}`]
    .filter(Boolean).join(", or ");
  return make("p", {}, make("b", {}, "Too few to say. "), `With ${failed} failed and ${started} started, chance alone puts a given reading outside ` +
    `all the others ${Math.round(least * 100)} times in 100.` + (needed ? ` Needed at least: ${needed}.` : ""));
}

function table(readings) {
  return make("div", { class: "wide", tabindex: "0", role: "region", "aria-label": "What differed" }, make("table", { class: "stacked" },
    make("thead", {}, make("tr", {}, ["Reading", "Failed", "Started", "By chance"].map((one) => make("th", { scope: "col" }, one)))),
    make("tbody", {}, readings.map((one) => make("tr", {}, make("td", {}, readingText(one.reading)),
      make("td", {}, values(one.failed_lowest, one.failed_highest, one.unit)),
      make("td", {}, values(one.started_lowest, one.started_highest, one.unit)), make("td", {}, `${Math.ceil(100 * one.chance_of_any)}\u00a0%`))))));
}

function again(recurs, failed) {
  return recurs.map((one) => make("p", {}, `${capital(one.fault.replaceAll("-", " "))}${one.subject ? " of " + one.subject : ""}: ` +
    `in ${one.times} of ${failed}` + (one.after_from_s === null ? "." :
    `, ${span(one.after_from_s)}${one.after_to_s > one.after_from_s ? " to " + span(one.after_to_s) : ""} after the starter engaged.`)));
}

function apartIn(night) {
  if (!night.failed || !night.started) {
    return [make("p", {}, "Nothing to compare: it takes a failed attempt and one that started.")];
  }
  const apart = night.readings.filter((one) => one.apart);
  if (!apart.length) return [make("p", {}, "No reading stood apart: each failed attempt looked like one that started.")];
  const more = apart.length - SHOWN;
  return [tooFew(night), table(apart.slice(0, SHOWN)), make("p", { class: "quiet small" }, (more > 0 ? `And ${more} more. ` : "") +
    `By chance: how often any of the ${night.readings.length} readings compared would be as far apart if it had nothing to do with the failing. ` +
    "What follows from a failure differs too: what went first is on the sheet of the attempt.")];
}

function repair(night) {
  if (!night.repair) return null;
  const { share: failing, clean_starts: five, clean_starts_1_percent: one } = night.repair;
  return make("section", { class: "part" }, make("h2", {}, "To prove a repair"), make("p", {}, `${share(failing)} of the attempts failed. ` +
    `${five} clean starts in a row leave less than 5\u00a0% doubt, ${one} less than 1\u00a0%, if the fault comes as often as it did this night. ` +
    "They count when they are as cold and as far apart as those that failed."));
}

export function contrast(night) {
  const alike = night.alike.length ? make("p", {}, "Out of limits, but just as far in those that started, so not what decided it: " +
    night.alike.map((one) => `${one.check} of ${one.channel ?? "?"}, ${phase(one.phase)}`).join("; ") + ".") : null;
  return [make("section", { class: "part spaced" }, make("h2", {}, night.failed === 1 ? "What differed in the failed one" : "What differed in the failed ones"),
    again(night.recurs, night.failed), apartIn(night), alike), repair(night)].filter(Boolean);
}
