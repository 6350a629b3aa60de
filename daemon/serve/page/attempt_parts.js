// SPDX-License-Identifier: Apache-2.0
// The words of an attempt's sheet: why, what else, what next, every check; and what a person says of it.
import { send } from "./ask.js";
import { crankCaution } from "./cautions.js";
import { quantity } from "./figures.js";
import { attempt as trying, button, list, make } from "./make.js";
import { phase } from "./words.js";

export const RESULTS = { "pass": ["in limits", "in"], "fail": ["out of limits", "out"], "too-close": ["too close to say", "unknown"],
  "not-possible": ["could not be judged", "unknown"] };

/* What to test next; where the command line is named, a way to the view that does the same. */
function testNext(next) {
  if (!next.length) return null;
  const item = (text) => {
    const wiggle = " (cranktrap now --wiggle)";
    if (!text.includes(wiggle)) return make("li", {}, text);
    const [before, after] = text.split(wiggle);
    return make("li", {}, before + " (", make("a", { href: "#/now" }, "Now, wiggle mode"), ")" + after);
  };
  return make("section", { class: "part", id: "next" }, make("h2", {}, "Test next"), make("ol", {}, next.map(item)));
}

export function reasons(report) {
  const verdict = report.verdict;
  if (!verdict) return [];
  const next = verdict.next ?? [];
  const cranks = next.some((text) => /crank/i.test(text));
  return [
    list("Because", verdict.because),
    list("Followed from it, not to blame", verdict.followers),
    list("What may lie behind", verdict.alternatives),
    testNext(next),
    cranks ? crankCaution() : null,
    list("Not tested", verdict.not_tested),
    list("What the board itself does to these levels", (report.measuring ?? []).map((one) => one.text)),
  ].filter(Boolean);
}

export function limit(check) {
  const { limit_low: low, limit_high: high, unit } = check;
  if (low !== null && high !== null) return `${quantity(low, unit)} to ${quantity(high, unit)}`;
  if (low !== null) return `at least ${quantity(low, unit)}`;
  return high !== null ? `at most ${quantity(high, unit)}` : "none";
}

export function checks(report) {
  const rows = report.checks.map((one) => {
    const [text, kind] = RESULTS[one.result] ?? [one.result, "unknown"];
    return make("tr", {}, make("td", {}, one.check, make("br"), make("span", { class: "quiet" }, one.channel ?? "")),
      make("td", {}, phase(one.phase)), make("td", {}, quantity(one.measured, one.unit ?? "")), make("td", {}, limit(one)),
      make("td", { class: kind }, text), make("td", { class: "quiet" }, one.why ?? one.source ?? ""));
  });
  return make("details", { class: "part", open: matchMedia("(min-width: 60rem)").matches }, make("summary", {}, `Every check (${report.checks.length}), with its limit and source`),
    make("div", { class: "wide", tabindex: "0", role: "region", "aria-label": "Every check" }, make("table", {}, make("thead", {}, make("tr", {},
      ["Check", "Phase", "Measured", "Limit", "Result", "Source"].map((name) => make("th", { scope: "col" }, name)))),
    make("tbody", {}, rows))));
}

/* A switch that the logger keeps: reviewed, hold, good. */
function flag(subject, key, text, said) {
  const made = button(text, () => trying(said, async () => {
    const answer = await send("POST", `snapshots/${subject.number}`, { [key]: !subject[key] });
    subject[key] = answer[key] ?? !subject[key];
    made.setAttribute("aria-pressed", String(Boolean(subject[key])));
  }, "Noted."), { "aria-pressed": String(Boolean(subject[key])) });
  return made;
}

function remove(subject, said) {
  const row = make("p", { class: "row apart" });
  const ask = button("Delete", () => row.replaceChildren(
    button(`Yes, delete number ${subject.number} and its traces`, () => trying(said, async () => {
      await send("DELETE", `snapshots/${subject.number}`);
      location.hash = "#/attempt";
    })), button("No, keep it", () => row.replaceChildren(ask))));
  row.append(ask);
  return row;
}

/* `beside`: the good attempt that it would be laid beside, or null. */
export function actions(subject, beside) {
  const said = make("p", { class: "said", role: "status" });
  const note = make("textarea", { id: "note", rows: "3" });
  note.value = subject.note ?? "";
  const file = `/v0/snapshots/${subject.number}`;
  return make("section", { class: "part" }, beside ? make("p", { class: "row" }, make("a", { class: "key", href: `#/compare/${subject.number}` },
    "Side by side with the good one")) : null, make("h2", { class: "part" }, "Hand it on, and keep it"),
    make("p", { class: "row" }, make("a", { class: "key first", href: `${file}/report.pdf`, target: "_blank", rel: "noopener" },
      "Report for the customer (PDF)"), make("a", { class: "key", href: `${file}/file`, download: "" }, "The record itself")),
    make("p", { class: "row keeping" }, flag(subject, "reviewed", "Reviewed", said), flag(subject, "hold", "Hold", said),
      flag(subject, "good", "Good", said)),
    make("p", { class: "quiet small" }, "Reviewed: may go when room is short. Hold: stays. Good: stays, and others are compared with it."),
    make("label", { for: "note", class: "part" }, "Notes"), note,
    make("p", { class: "row" }, button("Save the notes", () => trying(said, () =>
      send("POST", file.slice(4), { note: note.value }), "Saved."))),
    remove(subject, said), said);
}
