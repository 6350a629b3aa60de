// SPDX-License-Identifier: Apache-2.0
// Elements without markup in strings: nothing that came from a file is ever read as HTML.
const SVG = "http://www.w3.org/2000/svg";

function fill(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? "" : String(value));
  }
  element.append(...children.flat(3).filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

export const make = (tag, attributes, ...children) => fill(document.createElement(tag), attributes, children);
export const shape = (tag, attributes, ...children) => fill(document.createElementNS(SVG, tag), attributes, children);

export function list(title, texts, ordered = false) {
  if (!texts?.length) return null;
  return make("section", { class: "part" }, make("h2", {}, title),
    make(ordered ? "ol" : "ul", {}, texts.map((text) => make("li", {}, text))));
}

export const button = (text, act, attributes = {}) => make("button", { type: "button", onclick: act, ...attributes }, text);

/* Runs `act`; says on `where` what went wrong, or the text it answered, or `done`. */
export async function attempt(where, act, done) {
  where.textContent = "One moment.";
  try {
    const answer = await act();
    where.textContent = typeof answer === "string" ? answer : done ?? "";
  } catch (problem) {
    where.textContent = problem.message;
  }
}
