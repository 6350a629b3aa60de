// SPDX-License-Identifier: Apache-2.0
// What is on which lead, drawn: the board's inputs at the left, the vehicle at the right, a wire for each.
import { groups, titleOf } from "./groups.js";
import { NO_SAMPLE, judge } from "./live_judge.js";
import { shape } from "./make.js";

const STEP = 56;
const HEAD = 34;
const WIDE = 560;
const WORDS = { in: "good", out: "look here", unknown: "not judged" };
const SHORT = { "battery voltage": "battery", "control unit's supply": "supply", "injector or coil command": "command" };

const short = (text) => SHORT[text] ?? text;
const label = (kind, x, y, text) => shape("text", { class: kind, x, y }, text);

function under(channel, wide) {
  return [channel.name, wide && channel.measured_at ? `probe at the ${channel.measured_at}` : null, wide ? channel.scale_text : null]
    .filter(Boolean).join(", ");
}

/* One wire with what is written on it; `left` and `right`: where it ends. */
function lead(channel, y, left, right, wide) {
  const wire = shape("path", { class: "wire", d: `M${left} ${y}H${right}` });
  const text = label("unknown", left + 11, y - 7, "no reading yet");
  const below = label("soft", left + 11, y + 17, under(channel, wide));
  const end = (x) => shape("circle", { class: "body", cx: x, cy: y, r: 5 });
  const parts = [wire, end(left), label("soft", wide ? 14 : 12, y + 5, wide ? `input ${channel.input ?? "?"}` : `in ${channel.input ?? "?"}`),
    end(right), label("", right + 13, y + 5, short(titleOf(channel))), text, below];
  return { channel, parts, tell(result) {
    wire.setAttribute("class", `wire ${result.state}`);
    text.setAttribute("class", result.state);
    text.textContent = (result.value === NO_SAMPLE ? "" : `${WORDS[result.state]}: `) + result.value + (wide && result.why ? `; ${result.why}` : "");
    below.textContent = wide || !result.why ? under(channel, wide) : result.why;
  } };
}

/* {element, tell(now)}: the drawing, and how it is told the latest readings. */
export function wiring(hookup, room) {
  const width = Math.max(326, Math.min(room, 760));
  const wide = width >= WIDE;
  const left = wide ? 92 : 54;
  const right = width - (wide ? 138 : 124);
  const leads = [];
  const boxes = [];
  let y = 16;
  for (const group of groups(hookup.channels, hookup.sensors)) {
    const top = y;
    y += HEAD;
    for (const channel of group.channels) {
      leads.push(lead(channel, y + 14, left, right, wide));
      y += STEP;
    }
    boxes.push(shape("rect", { class: "body", x: right, y: top, width: width - right - 2, height: y - top, rx: 6 }),
      label("soft", right + 10, top + 20, group.title));
    y += 18;
  }
  const board = [shape("rect", { class: "body", x: 2, y: 16, width: left - 2, height: y - 34, rx: 6 }),
    label("soft", 10, 36, hookup.channels[0]?.board ?? "board")];
  const element = shape("svg", { class: "wiring", viewBox: `0 0 ${width} ${y}`, role: "img", "aria-label":
    "Wiring: " + hookup.channels.map((one) => `input ${one.input ?? "?"} is on ${one.name}`).join(", ") },
  board, boxes, leads.map((one) => one.parts));
  return {
    element,
    tell(now) {
      for (const { channel, tell } of leads) tell(judge(channel, now.channels.find((one) => one.channel === channel.name), now.phase));
    },
  };
}
