// SPDX-License-Identifier: Apache-2.0
// From and to: tapped on the traces or typed, and read out as sentences.
import { button, make } from "./make.js";
import { length, measure, sentence } from "./stretch.js";

export function reader({ rpm, changed, channels }) {
  const from = make("input", { id: "from", type: "number", step: "any", inputmode: "decimal" });
  const to = make("input", { id: "to", type: "number", step: "any", inputmode: "decimal" });
  const text = make("div", { class: "said-of-it", role: "status", tabindex: "0", "aria-label": "What the leads did in it" });
  let tapped = null; // the channel that was tapped last is read out first
  const value = (input) => (input.value === "" ? null : Number(input.value));
  const hint = "Tap the traces where the stretch begins, then where it ends; or type seconds.";
  const read = () => {
    element.classList.toggle("chosen", value(from) !== null);
    const [a, b] = [value(from), value(to)];
    if (a === null || b === null || !(a < b)) {
      text.replaceChildren(make("p", { class: "quiet" }, a !== null && b === null ? "Now tap where it ends." : hint));
      return;
    }
    const first = (lane) => (lane.channel.channel === tapped ? 0 : 1);
    text.replaceChildren(make("p", {}, length(a, b, rpm)), make("dl", {}, channels().sort((x, y) => first(x) - first(y)).map((lane) => [
      make("dt", {}, lane.channel.channel),
      make("dd", {}, sentence(lane.channel, measure(lane, lane.times, a, b), a, b))])));
  };
  const both = () => {
    read();
    changed();
  };
  const set = (a, b) => {
    from.value = a === null ? "" : a.toFixed(4);
    to.value = b === null ? "" : b.toFixed(4);
    both();
  };
  from.addEventListener("change", both);
  to.addEventListener("change", both);
  const element = make("section", { class: "reading", "aria-label": "A stretch, read out" },
    make("div", { class: "row" }, make("label", {}, "from, s", from), make("label", {}, "to, s", to),
      button("Clear", () => set(null, null))), text);
  read();
  return {
    element,
    read,
    taps: () => [value(from), value(to)].filter((one) => one !== null && Number.isFinite(one)).sort((a, b) => a - b),
    tap(at, channel) {
      tapped = channel;
      const [a, b] = [value(from), value(to)];
      if (a === null || b !== null) set(at, null);
      else set(Math.min(a, at), Math.max(a, at));
    },
  };
}
