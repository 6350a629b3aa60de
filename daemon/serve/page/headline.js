// SPDX-License-Identifier: Apache-2.0
// What the sheet says first, of one attempt.
import { clock, instant, long, span } from "./figures.js";
import { CERTAINTY, HELD, fault, outcome } from "./words.js";

const SETTLED = ["started", "released-early"];

/* The attempts that the list holds, oldest first: moments kept by hand are none. */
export const attemptsOf = (list) => list.attempts.filter((one) => one.outcome !== null);

/* The one to land on: an unreviewed failed one with a fault, else failed, else the latest. */
export function landing(attempts) {
  const weight = (one) =>
    (one.failed ? 4 : 0) + (one.failed && !one.reviewed ? 2 : 0) +
    (one.verdict && one.verdict.fault !== "nothing-found" ? 1 : 0);
  let best = null;
  for (const one of attempts) {
    if (best === null || weight(one) >= weight(best)) best = one;
  }
  return best;
}

/* The good attempt to draw beside it: one marked good, else the one that started nearest in time. */
export function companion(attempts, subject) {
  const started = attempts.filter((one) => one.number !== subject.number && one.outcome === "started");
  const marked = started.filter((one) => one.good);
  const far = (one) => Math.abs((one.elapsed_s ?? 0) - (subject.elapsed_s ?? 0));
  return (marked.length ? marked : started).sort((a, b) => far(a) - far(b))[0] ?? null;
}

/* "Attempt 7 of 11, 04:12, 5 h 12 min after you left." */
export function when(attempt, attempts, since) {
  const place = attempts.findIndex((one) => one.number === attempt.number) + 1;
  const at = instant(attempt.wall);
  const after = since !== null && since !== undefined && at !== null && at > since
    ? `, ${long(at - since)} after you left` : "";
  const name = place ? `Attempt ${place} of ${attempts.length}` : `Moment ${attempt.number}`;
  return `${name}, ${clock(attempt.wall)}${after}.`;
}

/* "Crank sensor feed collapsed 0.31 s in; battery held 10.1 V." `engaged`: second the starter engaged. */
export function what(verdict, engaged) {
  if (!verdict) return "Not analysed yet.";
  const into = verdict.at_s !== null && verdict.at_s !== undefined && engaged !== null && verdict.at_s >= engaged
    ? ` ${span(verdict.at_s - engaged)} in` : "";
  const battery = /battery (?:held|stood at|fell to) [\d.]+ V/.exec(verdict.observed ?? "");
  return fault(verdict) + into + (battery && verdict.circuit !== "battery" ? `; ${battery[0].replace(/ V$/, "\u00a0V")}` : "") + ".";
}

export function headline(attempt, attempts, since, engaged) {
  const verdict = attempt.verdict;
  const moment = attempt.outcome === null; // kept by hand
  const quiet = verdict?.fault === "nothing-found" && (moment || SETTLED.includes(attempt.outcome));
  return {
    when: when(attempt, attempts, since),
    outcome: moment ? "A moment kept." : outcome(attempt.outcome) + ".",
    what: (attempt.text ? `\u201c${attempt.text}\u201d ` : "") + what(verdict, engaged),
    certainty: verdict && !quiet ? (verdict.fault === "nothing-found" ? HELD : CERTAINTY)[verdict.certainty] ?? null : null,
  };
}
