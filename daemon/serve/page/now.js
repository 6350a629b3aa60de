// SPDX-License-Identifier: Apache-2.0
// The leads as they are now, with what an averaging meter would make of them.
import { draw, get, send } from "./ask.js";
import { bytes, count, long } from "./figures.js";
import { groups } from "./groups.js";
import { KEPT, leadCard } from "./lead.js";
import { listen } from "./live.js";
import { attempt as trying, button, make } from "./make.js";
import { nowTrace } from "./now_trace.js";

export const TITLE = "Now";

const CLOCK_OFF_S = 120; // a logger this far off the phone is offered the phone's time

function lost(status) {
  const boards = status.boards ?? [];
  const scans = boards.reduce((sum, one) => sum + one.scans_lost, 0);
  const unknown = boards.reduce((sum, one) => sum + one.losses_of_unknown_size, 0);
  return scans || unknown ? `${count(scans)} scans${unknown ? `, and ${unknown} times of unknown size` : ""}` : "not a scan";
}

const board = (one) => [`Board ${one.board}`, one.state === "streaming" && one.rate_hz ? `${count(one.rate_hz)} scans a second`
  : one.state + (one.why ? `: ${one.why}` : "")];

/* The boards, what is recorded, what room is left and what was lost, as names and values. */
export function room(status) {
  const ring = status.ring ?? {};
  const rows = (status.boards ?? []).map(board);
  if (ring.bytes !== undefined && ring.bound) rows.push(["Recorded", `${ring.oldest_age_s ? `the last ${long(ring.oldest_age_s)}, ` : ""}` +
    `${bytes(ring.bytes)} of the ${bytes(ring.bound)} it may take`]);
  if (ring.free !== null && ring.free !== undefined) rows.push(["Disk", `${bytes(ring.free)} free`]);
  rows.push(["Lost", lost(status)]);
  const problem = ring.error ?? status.snapshots?.problem;
  if (problem) rows.push(["Problem", problem]);
  return rows.map(([name, value]) => make("div", {}, make("dt", {}, name), make("dd", {}, value)));
}

function keeper(said) {
  const text = make("input", { id: "why", placeholder: "it did it now" });
  const there = make("p", { class: "row" });
  return make("section", { class: "part" }, make("h2", {}, "Keep this moment"),
    make("p", { class: "quiet" }, "Saves the 20 seconds before and after."),
    make("div", { class: "row apart-a-little" }, make("label", { for: "why" }, "What happened", text),
      button("Keep it", () => trying(said, async () => {
        const kept = await send("POST", "keep", text.value ? { text: text.value } : {});
        there.replaceChildren(make("a", { class: "key", href: `#/attempt/${kept.number}` }, `To number ${kept.number}`));
        return `Kept as number ${kept.number}; whole in ${Math.ceil(kept.finished_in_s ?? 20)} s.`;
      }), { class: "key first" }),
      button("Only note it", () => trying(said, () => send("POST", "notes", { text: text.value || "a note" }), "Noted in the record."))), said, there);
}

/* A phone knows the date; a small logger without a battery may not. */
function clockOffer(status, said) {
  const off = status.wall_ms ? Math.abs(Date.now() - status.wall_ms) / 1000 : null;
  if (off !== null && off < CLOCK_OFF_S) return null;
  const row = make("section", { class: "part" }, make("h2", {}, "The logger's clock"),
    make("p", {}, off === null ? "The logger does not know the time of day." : `It is ${long(off)} off this phone's.`),
    make("p", { class: "row" }, button("Tell it this phone's time", () => trying(said, () => send("POST", "clock", { utc_ms: Date.now() }),
      "Noted as a mark. It is for display only: the record keeps elapsed time."))), said);
  return row;
}

/* A key that shows the extremes since it was pressed, and one that forgets them. */
function wiggling(cards) {
  const said = make("p", { class: "said", role: "status" });
  const latch = (text) => trying(said, () => send("POST", "latch", {}), text);
  const anew = button("Latch anew", () => latch("The extremes begin anew."), { hidden: true });
  const hint = make("p", { class: "quiet" }, "Key on, engine off. Move the harness and press on the connectors: the lowest and the " +
    "highest that was ever reached stays on the card.");
  const key = button("Wiggle mode", async () => {
    const on = key.getAttribute("aria-pressed") !== "true";
    key.setAttribute("aria-pressed", String(on));
    anew.hidden = !on;
    for (const card of cards.values()) card.wiggle(on);
    if (on) await latch("");
  }, { "aria-pressed": "false" });
  return make("section", { class: "part" }, make("h2", {}, "Wiggle the harness"), hint, make("p", { class: "row apart-a-little" }, key, anew), said);
}

function sections(now, hookup, cards) {
  return make("div", { class: "circuits" }, groups(now.channels, hookup.sensors).map(({ title, channels }) =>
    make("section", { class: `circuit of-${Math.min(4, channels.length)}` }, make("h2", {}, title), make("div", { class: "leads" }, channels.map((channel) => {
      const card = leadCard(channel, hookup.channels?.find((one) => one.name === channel.channel));
      cards.set(channel.channel, card);
      return card.element;
    })))));
}

/* The cards begin with what the ring has of the last minute. */
async function lastMinute(cards, end, signal) {
  const drawing = await draw(null, Math.max(0, end - KEPT / 2), end, KEPT, signal).catch(() => null); // without it they fill by and by
  for (const one of drawing?.channels ?? []) {
    cards.get(one.name)?.fill(one.low.map((low, index) => ({ low, high: one.high[index], mean: one.mean?.[index] ?? (low + one.high[index]) / 2 })));
  }
}

export async function show(root, parameter, signal) {
  root.append(make("p", { class: "quiet" }, "Reading the leads."));
  const [now, status, hookup] = await Promise.all([get("now", signal), get("status", signal),
    get("hookup", signal).catch(() => ({ sensors: [] }))]);
  let latest = status;
  let at = Date.now();
  const elapsed = () => latest.elapsed_s + (latest.state === "not-watching" ? 0 : (Date.now() - at) / 1000);
  const facts = make("dl", { class: "facts" }, room(status));
  const cards = new Map();
  const leads = sections(now, hookup, cards);
  root.replaceChildren(make("h1", { class: "title" }, "Now"), facts, clockOffer(status, make("p", { class: "said", role: "status" })) ?? "",
    make("div", { class: "two even" }, keeper(make("p", { class: "said", role: "status" })), wiggling(cards)), leads,
    now.channels.length ? nowTrace({ channels: now.channels, elapsed, signal }) : "");
  const tell = (next) => {
    for (const channel of next.channels) cards.get(channel.channel)?.tell(channel, next);
  };
  tell(now);
  lastMinute(cards, elapsed(), signal);
  listen("now", tell, signal);
  listen("status", (next) => {
    [latest, at] = [next, Date.now()];
    facts.replaceChildren(...room(next));
  }, signal);
}
