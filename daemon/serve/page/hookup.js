// SPDX-License-Identifier: Apache-2.0
// Which lead is where: drawn, judged as it stands now, and edited as a copy.
import { get } from "./ask.js";
import { editor } from "./hookup_editor.js";
import { listen } from "./live.js";
import { make } from "./make.js";
import { wiring } from "./wiring.js";

export const TITLE = "Hookup";

const wheelText = (wheel) => (!wheel ? "" : wheel === "learn" ? ", its wheel is learnt" : ", wheel " + wheel);

function facts(hookup) {
  const { vehicle } = hookup;
  const words = [vehicle.complaint ? `\u201c${vehicle.complaint}\u201d` : null, vehicle.cylinders ? `${vehicle.cylinders} cylinders` : null,
    vehicle.system_v ? `${vehicle.system_v} V` : null].filter(Boolean).join(", ");
  const wheels = hookup.sensors.map((one) => `${one.name}: ${one.kind}${wheelText(one.wheel)}` +
    (one.pull_up ? `, pulled up to ${one.pull_up} V` : "")).join("; ");
  return [words ? make("p", {}, words + ".") : null, wheels ? make("p", { class: "quiet" }, "Sensors. " + wheels + ".") : null];
}

export async function show(root, parameter, signal) {
  root.append(make("p", { class: "quiet" }, "Following the leads."));
  const hookup = await get("hookup", signal);
  const where = make("div", {});
  root.replaceChildren(make("h1", { class: "title" }, "Hookup"), ...facts(hookup).filter(Boolean),
    make("p", { class: "row part" }, make("a", { class: "key first", href: "#/ready" }, "Fit to leave? Check it step by step")),
    make("div", { class: "two even" }, make("section", { class: "part" }, make("h2", {}, "What is on which lead"), where,
      make("p", { class: "quiet small" }, "A wire is drawn whole where it can be judged now, thick where it is out of limits, dashed where the phase does not tell.")),
    editor(hookup)));
  let drawn = null;
  let width = 0;
  let latest = null;
  const paint = () => {
    if (Math.abs(where.clientWidth - width) < 2) return;
    width = where.clientWidth;
    drawn = wiring(hookup, width);
    where.replaceChildren(drawn.element);
    if (latest) drawn.tell(latest);
  };
  const watcher = new ResizeObserver(paint);
  watcher.observe(where);
  signal.addEventListener("abort", () => watcher.disconnect());
  listen("now", (now) => {
    latest = now;
    drawn?.tell(now);
  }, signal);
}
