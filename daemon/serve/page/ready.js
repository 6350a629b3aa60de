// SPDX-License-Identifier: Apache-2.0
// Before leaving: key off, key on, one test crank, then what the logger thinks of it.
import { get, send } from "./ask.js";
import { crankCaution } from "./cautions.js";
import { bytes, long, range } from "./figures.js";
import { listen } from "./live.js";
import { attempt as trying, button, list, make } from "./make.js";

export const TITLE = "Fit to leave?";

const STEPS = [
  ["key-off", "Key off", "Leave it off for five seconds: the leads show their zero and their noise."],
  ["key-on", "Key on, engine off", "Five seconds: each feed must stand at its level, each return near zero."],
  ["cranking", "One test crank", "Only if you are trained for it and it is safe: read the caution first. Or leave it out; then what only a crank can show stays not proven."],
];
const SECONDS = 5;
const FIT = { "yes": ["Fit to leave.", "in"], "no": ["Not fit to leave.", "out"], "not-proven": ["Not proven.", "unknown"] };

function leads(answer) {
  if (!answer.leads?.length) return null;
  const level = (one, unit) => (one ? range(one.lowest, one.highest, unit) : "not seen");
  return make("div", { class: "wide", tabindex: "0", role: "region", "aria-label": "Each lead" }, make("table", { class: "stacked" }, make("thead", {}, make("tr", {},
    ["Lead", "Key off", "Key on", "Cranking", "Result"].map((one) => make("th", { scope: "col", class: one === "Result" ? "whole" : null }, one)))),
  make("tbody", {}, answer.leads.map((one) => make("tr", {}, make("td", {}, one.channel), make("td", {}, level(one.key_off, one.unit)),
    make("td", {}, level(one.key_on, one.unit)), make("td", {}, level(one.cranking, one.unit)),
    make("td", { class: "whole" }, make("span", { class: one.result === "pass" ? "in" : one.result === "not seen" ? "unknown" : "out" }, one.result === "pass" ? "in limits" : one.result), (one.notes ?? []).map((text) => ". " + text)))))));
}

function judgement(answer) {
  const [text, kind] = FIT[answer.fit] ?? ["The logger does not say.", "unknown"];
  const { room } = answer;
  return [make("h2", { class: kind }, text), list("What to do first", answer.reasons), list("Not seen", answer.unproven), leads(answer),
    room ? make("p", { class: "part" }, `For ${room.hours} h it needs ${bytes(room.bytes_needed)}; ${bytes(room.disk_free)} of disk are free` +
      (room.ring_hours ? `, and the ring goes back ${long(room.ring_hours * 3600)}` : "") + "." +
      (room.on_mains ? " The computer runs on mains power: its ground is tied to the vehicle's." : "")) : null].filter(Boolean);
}

/* The number of the test crank: the latest attempt that began since; null: none, or its record is not whole yet. */
async function testCrank(since, signal) {
  const { attempts } = await get("attempts", signal);
  return attempts.findLast((one) => one.outcome !== null && one.elapsed_s !== null && one.elapsed_s >= since)?.number ?? null;
}

export function show(root, parameter, signal) {
  const said = make("p", { class: "said", role: "status" });
  const result = make("section", { class: "part" });
  const seen = new Map(STEPS.map(([phase]) => [phase, 0]));
  const rows = new Map(STEPS.map(([phase, name, text]) => [phase, { state: make("p", { class: "quiet seen" }, "Not seen yet."), row: null, name, text }]));
  const steps = make("ol", { class: "steps" });
  for (const [phase, { name, text, state }] of rows) {
    const row = make("li", {}, make("div", {}, make("h2", {}, name), make("p", {}, text), phase === "cranking" ? crankCaution() : null, state));
    rows.get(phase).row = row;
    steps.append(row);
  }
  const told = make("p", { class: "said", role: "status" });
  const judge = () => trying(told, async () => {
    const crank = await testCrank(since, signal);
    result.replaceChildren(...judgement(await get("ready" + (crank ? `?crank=${crank}` : ""), signal)));
    return crank ? `With the test crank: it is number ${crank}.` : "";
  });
  const leave = () => trying(said, () => send("POST", "night", {}), "The night counts from now. Go home.");
  steps.append(make("li", {}, make("div", {}, make("h2", {}, "What the logger thinks"), make("p", {}, "After a test crank: key off again, " +
    "and some 20 seconds, until its record is whole."), make("p", { class: "row" }, button("Judge it", judge)), told, result)),
    make("li", {}, make("div", {}, make("h2", {}, "Leave"), make("p", {}, "Leads secured and fused at the post, bonnet and doors not pinching them, key and remote start under control."),
      make("p", { class: "row apart-a-little" }, button("I am leaving now", leave, { class: "key first" })), said)));
  root.append(make("h1", { class: "title" }, "Fit to leave?"), make("p", { class: "lead-in" }, "Each step ticks itself off when the leads have shown it."), steps);
  let since = Infinity; // elapsed seconds when this check was begun
  get("status", signal).then((status) => { since = Math.min(since, status.elapsed_s); }, () => { /* then no crank counts as the test crank */ });
  let before = null;
  listen("now", (now) => {
    const time = Date.now();
    const row = rows.get(now.phase);
    if (row && before !== null) {
      const total = seen.get(now.phase) + Math.min(2, (time - before) / 1000);
      seen.set(now.phase, total);
      const enough = now.phase === "cranking" ? total > 0.5 : total >= SECONDS;
      const text = enough ? "Seen." : "Being seen now.";
      if (row.state.textContent !== text) row.state.textContent = text;
      row.row.classList.toggle("done", enough);
    }
    before = time;
  }, signal);
}
