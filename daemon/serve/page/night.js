// SPDX-License-Identifier: Apache-2.0
// The whole night: what happened when, and what the failed attempts have that the good ones have not.
import { get } from "./ask.js";
import { clock, day, long } from "./figures.js";
import { attemptsOf, what } from "./headline.js";
import { make } from "./make.js";
import { contrast } from "./night_contrast.js";
import { strip } from "./night_strip.js";
import { outcome } from "./words.js";

export const TITLE = "Night";

function row(one) {
  const kind = one.failed ? "out" : one.outcome === "started" ? "in" : "unknown";
  const quiet = one.outcome === "started" && one.verdict?.fault === "nothing-found";
  return make("li", {}, make("a", { class: kind, href: `#/attempt/${one.number}` }, make("span", {}, clock(one.wall)),
    make("b", {}, one.outcome === null ? "Moment kept" : outcome(one.outcome)), make("small", {}, (quiet ? "" : what(one.verdict, null)) + (one.note ? ` Note: ${one.note}` : "") +
      (one.good ? " Marked good." : "") + (one.hold ? " Held." : "") + (one.failed && one.reviewed ? " Reviewed." : ""))));
}

export function summary(night) {
  const number = (count, text) => `${count} ${text}`;
  const parts = [number(night.started, "started"), number(night.failed, "failed")];
  if (night.other) parts.push(number(night.other, "ended early or unknown"));
  const losses = night.losses.count
    ? ` In ${night.losses.count} places samples were lost; they are hatched.` : " Not a sample was lost around them.";
  return `${night.attempts.length} attempts: ${parts.join(", ")}.` + losses;
}

export async function show(root, parameter, signal) {
  root.append(make("p", { class: "quiet" }, "Unrolling the night."));
  const [list, status] = await Promise.all([get("attempts", signal), get("status", signal)]);
  const attempts = attemptsOf(list);
  const said = make("p", {}, "");
  const differed = make("div", {});
  const where = make("div", {});
  root.replaceChildren(make("h1", { class: "title" }, "The night" + (attempts.length && day(attempts[0].wall) ? " of " + day(attempts[0].wall) : "")), said, where,
    make("div", { class: "two" }, differed, make("section", { class: "part" },
      make("h2", {}, list.attempts.length > attempts.length ? "Attempts to start, and moments kept" : "Attempts to start"),
      list.attempts.length ? make("ul", { class: "rows" }, list.attempts.map(row)) : make("p", {}, "None yet."))));
  const drawn = strip(where, { list, status, signal }).catch((problem) => {
    if (!signal.aborted) where.replaceChildren(make("p", { role: "alert" }, "The strip cannot be drawn. " + problem.message));
  });
  const night = await get("night", signal);
  said.textContent = summary(night) + (night.since_s === null || !status.wall_ms ? "" :
    ` You left ${long(status.wall_ms / 1000 - night.since_s)} ago.`);
  differed.append(...contrast(night));
  await drawn;
}
