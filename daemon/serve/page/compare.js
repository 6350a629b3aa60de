// SPDX-License-Identifier: Apache-2.0
// Two attempts beside each other: what changed beyond both spreads, then every check.
import { get } from "./ask.js";
import { limit, RESULTS } from "./attempt_parts.js";
import { clock, quantity } from "./figures.js";
import { attemptsOf } from "./headline.js";
import { make } from "./make.js";
import { capital, fault, outcome, phase } from "./words.js";

export const TITLE = "Side by side";

const CHOSEN = {
  "given": null,
  "marked-good": "The second is marked good.",
  "like-speed": "None is marked good: the second started, nothing was found in it, and it is the nearest of like speed.",
};

const value = (reading, unit) => (!reading ? "not seen" : unit === "yes" ? (reading.value ? "yes" : "no") : quantity(reading.value, unit));

/* "4.92 V to 5.07 V in 8 like it"; nothing where there is only this one. */
function spread(reading, unit) {
  if (!reading || unit === "yes" || reading.attempts < 2) return null;
  return `${quantity(reading.spread_low, unit)} to ${quantity(reading.spread_high, unit)} in ${reading.attempts} like it`;
}

/* What became of a wheel's apparent pattern, as a sentence. */
export function wheelText(wheel) {
  if (!wheel.changed) return `${capital(wheel.sensor)} wheel: not compared${wheel.why ? ", " + wheel.why.replace(/\.$/, "") : ""}.`;
  if (!wheel.changed.length) return `${capital(wheel.sensor)} wheel: the same apparent pattern, within both spreads.`;
  const places = wheel.changed.length === 1 ? `interval ${wheel.changed[0]} has` : `intervals ${wheel.changed.join(", ")} have`;
  return `${capital(wheel.sensor)} wheel: ${places} changed (0 is the first behind the gap). Teeth, or the mounting.`;
}

/* Where the cam's edges stand on the crank's turn, as a sentence. */
export function camText(cam) {
  const who = `${capital(cam.cam)} on the turn of ${cam.crank}`;
  if (cam.changed === null) return `${who}: not compared${cam.why ? ", " + cam.why.replace(/\.$/, "") : ""}.`;
  const by = `${Math.abs(cam.moved_by).toFixed(1)}° of the crank`;
  return cam.changed ? `${who}: ${by} ${cam.moved_by > 0 ? "later" : "earlier"} in the second.` : `${who}: the same place, within ${by}.`;
}

function summary(one, name) {
  return make("div", { class: "beside" }, make("h2", {}, make("a", { href: `#/attempt/${one.number}` }, name)),
    make("p", {}, make("b", { class: one.outcome === "started" ? "in" : one.outcome === "did-not-start" ? "out" : "unknown" }, outcome(one.outcome)),
      one.rpm ? `, ${Math.round(one.rpm)}\u00a0rpm` : ""),
    one.verdict ? make("p", { class: "quiet" }, fault(one.verdict) + ".") : null);
}

function readings(compared, names) {
  const changed = compared.readings.filter((one) => one.changed);
  const cell = (reading, unit) => make("td", {}, value(reading, unit), make("br"), make("span", { class: "quiet small" }, spread(reading, unit) ?? ""));
  const words = [...(compared.wheels ?? []).map(wheelText), ...(compared.cams ?? []).map(camText)];
  return make("section", { class: "part spaced" }, make("h2", {}, "What changed beyond both spreads"),
    changed.length ? make("div", { class: "wide", tabindex: "0", role: "region", "aria-label": "What changed" }, make("table", { class: "stacked by-two" },
      make("thead", {}, make("tr", {}, ["Reading", ...names].map((one) => make("th", { scope: "col" }, one)))),
      make("tbody", {}, changed.map((one) => make("tr", {}, make("td", {}, one.reading), cell(one.first, one.unit), cell(one.second, one.unit))))))
      : make("p", {}, "No reading did."),
    words.map((text) => make("p", {}, text)),
    make("p", { class: "quiet small" }, `${changed.length} of ${compared.readings.length} readings changed. Spread: over the attempts of the same night that ` +
      "ended alike at a like speed, and at least 3\u00a0%, 0.05\u00a0V or 5\u00a0A."));
}

/* The average of an on/off signal is held against each one's own levels and duty: there is no common limit. */
const limitOf = (check) => (/^average/.test(check.check) ? "by its own duty" : limit(check));

function checks(compared, names) {
  const differs = (one) => Boolean(one.first && one.second && one.first.result !== one.second.result);
  const cell = (made, unit) => {
    if (!made) return make("td", { class: "quiet" }, "not made");
    const [text, kind] = RESULTS[made.result] ?? [made.result, "unknown"];
    return make("td", {}, made.measured === null ? null : [quantity(made.measured, unit ?? ""), make("br")], make("span", { class: kind }, text));
  };
  const sorted = [...compared.checks].sort((a, b) => differs(b) - differs(a));
  return make("section", { class: "part" }, make("h2", {}, `Every check (${sorted.length}), those judged otherwise first`),
    make("div", { class: "wide", tabindex: "0", role: "region", "aria-label": "Every check" }, make("table", { class: "stacked" },
      make("thead", {}, make("tr", {}, ["Check", "Limit", ...names].map((one) => make("th", { scope: "col" }, one)))),
      make("tbody", {}, sorted.map((one) => make("tr", { class: differs(one) ? "differs" : null },
        make("td", {}, [one.channel, one.check, phase(one.phase)].filter(Boolean).join(", ")), make("td", {}, limitOf(one)),
        cell(one.first, one.unit), cell(one.second, one.unit)))))));
}

/* The other one, chosen anew. */
function chooser(attempts, first, second) {
  const select = make("select", { id: "with", onchange: () => { location.hash = `#/compare/${first}/${select.value}`; } },
    attempts.filter((one) => one.number !== first).map((one) => make("option", { value: one.number, selected: one.number === second },
      `${clock(one.wall)}, ${outcome(one.outcome).toLowerCase()}${one.good ? ", marked good" : ""}`)));
  return make("p", { class: "row part" }, make("label", { for: "with", class: "whole" }, "Beside", select));
}

export async function show(root, parameter, signal) {
  root.append(make("p", { class: "quiet" }, "Laying them side by side."));
  const [first, second] = parameter.split("/").map(Number);
  const list = attemptsOf(await get("attempts", signal));
  const compared = await get(`snapshots/${first}/compare${second ? "?with=" + second : ""}`, signal);
  const name = (one) => {
    const there = list.find((each) => each.number === one.number);
    return there ? clock(there.wall) : `Number ${one.number}`;
  };
  const names = [name(compared.first), name(compared.second)];
  root.replaceChildren(make("h1", { class: "title" }, `${names[0]} beside ${names[1]}`),
    make("div", { class: "two even" }, summary(compared.first, names[0]), summary(compared.second, names[1])),
    make("p", { class: "quiet" }, [CHOSEN[compared.chosen], compared.like_speed ? null :
      "Their speeds are more than 15 % apart: levels that follow speed differ for that alone."].filter(Boolean).join(" ")),
    chooser(list, compared.first.number, compared.second.number), readings(compared, names), checks(compared, names),
    make("p", { class: "quiet part" }, "Were they before and after a repair: one clean start proves none. The night says how many do."));
}
