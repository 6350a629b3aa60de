// SPDX-License-Identifier: Apache-2.0
// The sheet of one attempt: what happened, the picture of it, why, and what to do next.
import { get } from "./ask.js";
import { clock } from "./figures.js";
import { attemptsOf, companion, headline, landing } from "./headline.js";
import { horizon } from "./horizon.js";
import { listen } from "./live.js";
import { button, make } from "./make.js";
import { picture } from "./attempt_picture.js";
import { actions, checks, reasons } from "./attempt_parts.js";
import { outcome } from "./words.js";

export const TITLE = "Attempt";

const engagedOf = (report) =>
  report.attempts.find((one) => one.number === report.attempt)?.from_s ?? report.attempts[0]?.from_s ?? null;

function top(subject, attempts, since, report) {
  const said = headline(subject, attempts, since, report ? engagedOf(report) : null);
  const bad = subject.verdict && subject.verdict.fault !== "nothing-found";
  return make("header", { class: "headline" },
    make("p", { class: "when" }, said.when),
    make("h1", { class: subject.failed ? "out" : "" }, said.outcome),
    make("p", { class: "what" }, said.what),
    said.certainty ? make("p", { class: "certainty" }, make("b", { class: bad ? "out" : "in" }, said.certainty[0]),
      make("span", { class: "quiet" }, said.certainty[1])) : null,
    report?.verdict ? make("p", { class: "observed" }, report.verdict.observed) : null);
}

/* On a phone what to do next lies far below the traces: a way there. */
function jumps(subject) {
  return make("p", { class: "views jumps" },
    button("Test next", () => document.getElementById("next")?.scrollIntoView()),
    make("a", { class: "key", href: `/v0/snapshots/${subject.number}/report.pdf`, target: "_blank", rel: "noopener" }, "Report (PDF)"));
}

/* To the failed ones before and after, by the list's order. */
function steps(subject, attempts) {
  const failed = attempts.filter((one) => one.failed && one.number !== subject.number);
  const before = failed.filter((one) => one.number < subject.number).at(-1);
  const after = failed.find((one) => one.number > subject.number);
  if (!before && !after) return null;
  const key = (one, text) => (one ? make("a", { class: "key", href: `#/attempt/${one.number}` }, text) : null);
  return make("p", { class: "row" }, key(before, "Previous failed"), key(after, "Next failed"));
}

/* The night as one line, and how it is read. */
function night(attempts, since, subject) {
  const drawing = attempts.length > 1 ? horizon(attempts, since, subject.number) : null;
  return drawing ? [drawing, make("figcaption", { class: "quiet small" }, "Above the line: started. Below: failed. Ringed: this one.")] : [];
}

function empty(root) {
  root.append(make("header", { class: "headline" }, make("h1", {}, "Nothing yet."),
    make("p", { class: "what" }, "No attempt to start has been recorded. The first one will stand here.")),
  make("p", { class: "row" }, make("a", { class: "key first", href: "#/ready" }, "Fit to leave?"),
    make("a", { class: "key", href: "#/now" }, "The leads, now")));
}

/* Says that another attempt came in while this one is being read. */
function watchFor(newer, known, signal) {
  listen("attempt", async () => {
    const list = await get("attempts", signal).catch(() => null);
    const last = list && attemptsOf(list).at(-1);
    if (!last || last.number <= known) return;
    newer.replaceChildren(make("a", { class: "key", href: `#/attempt/${last.number}` },
      `Newer: ${clock(last.wall)}, ${outcome(last.outcome).toLowerCase()}`));
  }, signal);
}

/* What was said when a moment was kept by hand: it stands with its mark. */
async function saidOf(subject, signal) {
  if (subject.outcome !== null || subject.elapsed_s === null) return;
  const { elapsed_s: at, number } = subject;
  const answer = await get(`ring/marks?from_s=${Math.max(0, at - 60)}&to_s=${at + 60}`, signal).catch(() => ({ marks: [] }));
  subject.text = answer.marks.find((one) => one.snapshot === number)?.text ?? null;
}

export async function show(root, parameter, signal) {
  root.append(make("p", { class: "quiet" }, "Looking for the attempt that matters most."));
  const all = await get("attempts", signal);
  const attempts = attemptsOf(all);
  const wanted = Number(parameter);
  const subject = parameter ? all.attempts.find((one) => one.number === wanted) : landing(attempts);
  root.replaceChildren();
  if (parameter && !subject) throw new Error(`There is no attempt ${parameter}: it may have been deleted.`);
  if (!subject) {
    empty(root);
    return;
  }
  await saidOf(subject, signal);
  let since = null;
  let report = null;
  let head = top(subject, attempts, since, null);
  const sky = make("figure", {}, ...night(attempts, null, subject));
  const main = make("div", {});
  const side = make("div", {});
  const newer = make("p", { role: "status", class: "views" });
  watchFor(newer, attempts.at(-1)?.number ?? 0, signal);
  root.append(head, jumps(subject), sky, steps(subject, attempts) ?? "", newer, make("div", { class: "two" }, main, side));
  const again = () => {
    const next = top(subject, attempts, since, report);
    head.replaceWith(next);
    head = next;
    sky.replaceChildren(...night(attempts, since, subject));
  };
  get("night", signal).then((answer) => {
    since = answer.since_s;
    if (since !== null) again();
  }, () => { /* the sheet says the same without the time of leaving */ });
  report = await get(`snapshots/${subject.number}/report`, signal);
  subject.verdict = report.verdict ?? subject.verdict;
  again();
  side.append(...reasons(report));
  side.append(actions(subject, companion(attempts, subject)));
  await picture(main, { subject, report, engaged: engagedOf(report), beside: companion(attempts, subject), signal });
  main.append(checks(report));
}
