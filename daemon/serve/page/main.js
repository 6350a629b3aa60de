// SPDX-License-Identifier: Apache-2.0
// The ways through the page, and the line at its top that says whether the logger is watching.
import { cautions } from "./cautions.js";
import { clock } from "./figures.js";
import { listen, open } from "./live.js";
import { make } from "./make.js";
import { STATES, capital, phase } from "./words.js";

const VIEWS = {
  attempt: () => import("./attempt.js"),
  night: () => import("./night.js"),
  now: () => import("./now.js"),
  hookup: () => import("./hookup.js"),
  ready: () => import("./ready.js"),
  compare: () => import("./compare.js"),
};
const WITHIN = { ready: "hookup", compare: "attempt" }; // views that are reached from another
const sheet = document.getElementById("sheet");
let leaving = new AbortController();

async function go() {
  const [, name = "", parameter = ""] = /^#\/([a-z]*)\/?(.*)$/.exec(location.hash) ?? [];
  const view = VIEWS[name] ? name : "attempt";
  leaving.abort();
  leaving = new AbortController();
  const { signal } = leaving;
  for (const way of document.querySelectorAll(".ways a")) {
    const here = way.hash === "#/" + (WITHIN[view] ?? view);
    if (here) way.setAttribute("aria-current", "page");
    else way.removeAttribute("aria-current");
  }
  try {
    const module = await VIEWS[view]();
    if (signal.aborted) return;
    const root = make("div", { class: "view" });
    const shown = module.show(root, decodeURIComponent(parameter), signal);
    document.title = module.TITLE + " · cranktrap";
    sheet.replaceChildren(root);
    scrollTo(0, 0);
    await shown;
  } catch (problem) {
    if (signal.aborted || problem.name === "AbortError") return;
    sheet.replaceChildren(make("h1", { class: "title" }, "That did not work"), make("p", { role: "alert" }, problem.message),
      make("p", {}, make("button", { type: "button", onclick: go }, "Try again")));
  }
}

function tellState(status) {
  const where = document.getElementById("watching");
  document.getElementById("vehicle").textContent = status.vehicle ?? "cranktrap";
  const good = !["not-watching", "waiting-for-board"].includes(status.state);
  where.dataset.state = good ? "good" : "bad";
  const text = `${STATES[status.state] ?? status.state}${status.why ? ": " + status.why : ""}. ` +
    `${capital(phase(status.phase))}, ${clock(status.wall)}`;
  if (where.textContent !== text) where.textContent = text;
}

listen("status", tellState);
listen("silent", (silent) => {
  if (!silent) return;
  const where = document.getElementById("watching");
  where.dataset.state = "bad";
  where.textContent = "The logger is silent; this page asks again by itself";
});
document.getElementById("foot").append(...cautions());
addEventListener("hashchange", async () => {
  await go();
  sheet.focus({ preventScroll: true });
});
open();
go();
