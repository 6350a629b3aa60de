// SPDX-License-Identifier: Apache-2.0
// The leads as they are now, with what an averaging meter would make of them.
import { get, send } from "./ask.js";
import { bytes, count, long } from "./figures.js";
import { groups } from "./groups.js";
import { leadCard } from "./lead.js";
import { listen } from "./live.js";
import { attempt as trying, button, make } from "./make.js";

export const TITLE = "Now";

function room(status) {
  const ring = status.ring ?? {};
  const parts = [];
  if (ring.bytes !== undefined && ring.bound) parts.push(`the ring holds ${bytes(ring.bytes)} of ${bytes(ring.bound)}` +
    (ring.oldest_age_s ? `, back to ${long(ring.oldest_age_s)} ago` : ""));
  if (ring.free !== null && ring.free !== undefined) parts.push(`${bytes(ring.free)} of disk are free`);
  const lost = (status.boards ?? []).reduce((sum, one) => sum + one.scans_lost, 0);
  const unknown = (status.boards ?? []).reduce((sum, one) => sum + one.losses_of_unknown_size, 0);
  parts.push(lost || unknown ? `${count(lost)} scans lost${unknown ? `, and ${unknown} losses of unknown size` : ""}` : "no scan lost");
  const problem = ring.error ?? status.snapshots?.problem;
  const text = parts.join("; ");
  return text.charAt(0).toUpperCase() + text.slice(1) + "." + (problem ? ` ${problem}` : "");
}

function keeper(said) {
  const text = make("input", { id: "why", placeholder: "it did it now" });
  return make("section", { class: "part" }, make("h2", {}, "Keep this moment"),
    make("p", { class: "quiet" }, "Saves the 20 seconds before and after."),
    make("div", { class: "row" }, make("label", { for: "why" }, "What happened", text),
      button("Keep it", () => trying(said, async () => {
        const kept = await send("POST", "keep", text.value ? { text: text.value } : {});
        return `Kept as number ${kept.number}; whole in ${Math.ceil(kept.finished_in_s ?? 20)} s.`;
      }), { class: "key first" }),
      button("Only note it", () => trying(said, () => send("POST", "notes", { text: text.value || "a note" }), "Noted in the record."))), said);
}

/* A phone knows the date; a small logger without a battery may not. */
function clockOffer(status, said) {
  if (!status.wall_ms || Math.abs(Date.now() - status.wall_ms) < 120e3) return null;
  return make("p", { class: "row" }, make("span", {}, `The logger's clock is ${long(Math.abs(Date.now() - status.wall_ms) / 1000)} off this phone's.`),
    button("Tell it this phone's time", () => trying(said, () => send("POST", "clock", { utc_ms: Date.now() }), "Noted; display only, the record keeps elapsed time.")));
}

export async function show(root, parameter, signal) {
  root.append(make("p", { class: "quiet" }, "Reading the leads."));
  const [now, status, hookup] = await Promise.all([get("now", signal), get("status", signal),
    get("hookup", signal).catch(() => ({ sensors: [] }))]);
  const said = make("p", { class: "said", role: "status" });
  const state = make("p", {}, room(status));
  const cards = new Map();
  let wiggle = false;
  const wiggleKey = button("Wiggle mode", async () => {
    wiggle = !wiggle;
    wiggleKey.setAttribute("aria-pressed", String(wiggle));
    anew.hidden = !wiggle;
    hint.hidden = !wiggle;
    for (const card of cards.values()) card.wiggle(wiggle);
    if (wiggle) await trying(said, () => send("POST", "latch", {}), "");
  }, { "aria-pressed": "false" });
  const anew = button("Latch anew", () => trying(said, () => send("POST", "latch", {}), "The extremes begin anew."), { hidden: true });
  const hint = make("p", { class: "quiet", hidden: true }, "Key on, engine off. Move the harness and press on the connectors: the lowest and the highest " +
    "that was ever reached stays on the card.");
  root.replaceChildren(make("h1", { class: "title" }, "Now"), state, clockOffer(status, said) ?? "",
    make("p", { class: "row part" }, wiggleKey, anew), hint,
    ...groups(now.channels, hookup.sensors).map(({ title, channels }) => make("section", { class: "part" }, make("h2", {}, title),
      make("div", { class: "leads" }, channels.map((channel) => {
        const card = leadCard(channel);
        cards.set(channel.channel, card);
        return card.element;
      })))), keeper(said));
  for (const channel of now.channels) cards.get(channel.channel).tell(channel);
  listen("now", (next) => {
    for (const channel of next.channels) cards.get(channel.channel)?.tell(channel);
  }, signal);
  listen("status", (next) => { state.textContent = room(next); }, signal);
}
