// SPDX-License-Identifier: Apache-2.0
// What is on which lead, drawn: the board's inputs at the left, the vehicle at the right, a wire for each.
import { groups, titleOf } from "./groups.js";
import { judge } from "./live_judge.js";
import { shape } from "./make.js";

const STEP = 52;
const HEAD = 34;
const WORDS = { in: "good", out: "look here", unknown: "not judged" };

const place = (channel) => [channel.measured_at ? `probe at the ${channel.measured_at}` : null, channel.scale_text].filter(Boolean).join(", ");

function lead(channel, y, width) {
  const wire = shape("path", { class: "wire", d: `M92 ${y}H${width - 138}` });
  const text = shape("text", { class: "unknown", x: 104, y: y - 7 }, "no reading yet");
  const parts = [wire,
    shape("circle", { class: "body", cx: 92, cy: y, r: 5 }),
    shape("text", { class: "soft", x: 14, y: y + 5 }, `input ${channel.input ?? "?"}`),
    shape("circle", { class: "body", cx: width - 138, cy: y, r: 5 }),
    shape("text", { x: width - 124, y: y + 5 }, short(titleOf(channel))), text,
    shape("text", { class: "soft", x: 104, y: y + 17 }, [channel.name, place(channel)].filter(Boolean).join(", "))];
  return { channel, wire, text, parts };
}

const short = (text) => ({ "battery voltage": "battery", "control unit's supply": "supply", "injector or coil command": "command" })[text] ?? text;

/* {element, tell(now)}: the drawing, and how it is told the latest readings. */
export function wiring(hookup, width) {
  const wide = Math.max(340, Math.min(width, 760));
  const leads = [];
  const boxes = [];
  let y = 16;
  for (const group of groups(hookup.channels, hookup.sensors)) {
    const top = y;
    y += HEAD;
    for (const channel of group.channels) {
      leads.push(lead(channel, y + 14, wide));
      y += STEP;
    }
    boxes.push(shape("rect", { class: "body", x: wide - 138, y: top, width: 130, height: y - top, rx: 6 }),
      shape("text", { class: "soft", x: wide - 128, y: top + 20 }, group.title));
    y += 18;
  }
  const board = [shape("rect", { class: "body", x: 4, y: 16, width: 88, height: y - 34, rx: 6 }),
    shape("text", { class: "soft", x: 14, y: 36 }, short(hookup.channels[0]?.board ?? "board"))];
  const element = shape("svg", { class: "wiring", viewBox: `0 0 ${wide} ${y}`, role: "img", "aria-label":
    "Wiring: " + hookup.channels.map((one) => `input ${one.input ?? "?"} is on ${one.name}`).join(", ") },
  board, boxes, leads.map((one) => one.parts));
  return {
    element,
    tell(now) {
      for (const { channel, wire, text } of leads) {
        const result = judge(channel, now.channels.find((one) => one.channel === channel.name), now.phase);
        wire.setAttribute("class", `wire ${result.state}`);
        text.setAttribute("class", result.state);
        text.textContent = `${WORDS[result.state]}: ${result.text}`;
      }
    },
  };
}
