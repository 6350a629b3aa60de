// SPDX-License-Identifier: Apache-2.0
// The limits of use, in the foot of every view and beside whatever makes somebody crank.
import { make } from "./make.js";

const CRANK = "Only trained people. Clear of belts, fans and drive wheels; brake on, out of gear; ignition or fuel disabled " +
  "by the maker's procedure. Crank 10 to 15 s at most, then let it rest. A flooded engine and a hot catalyst are real risks.";

const ALL = [
  ["Test cranks.", CRANK],
  ["Left overnight or driven.", "Leads secured and fused at the post, nothing pinched by bonnet or doors, key and remote start under control. " +
    "An engine that starts indoors makes carbon monoxide: extraction, or outdoors."],
  ["Never", "a board input straight on battery or coil voltage. Stay off high-voltage (hybrid, electric) and airbag circuits. " +
    "Batteries gas: no sparks."],
  ["The logger itself", "may hold a signal down through its inputs while it has no power: make one attempt with it unplugged. " +
    "It draws current: 3 W for 12 h is 3 Ah at 12 V."],
  ["", "Local rules, the maker's procedure and licensed practice come first."],
];

export function cautions() {
  return ALL.map(([title, text]) => make("p", {}, title ? make("b", {}, title + " ") : null, text));
}

export const crankCaution = () =>
  make("aside", { class: "caution", "aria-label": "Caution" }, make("h2", {}, "Before anyone cranks"), make("p", {}, CRANK));
