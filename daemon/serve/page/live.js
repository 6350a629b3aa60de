// SPDX-License-Identifier: Apache-2.0
// What the logger tells by itself: events "now", "status", "attempt" and, from here, "silent".
const bus = new EventTarget();
const latest = {};
let source = null;

export function listen(name, act, signal) {
  bus.addEventListener(name, (event) => act(event.detail), { signal });
  if (latest[name]) act(latest[name]);
}

function tell(name, detail) {
  latest[name] = detail;
  bus.dispatchEvent(new CustomEvent(name, { detail }));
}

export function open() {
  source = new EventSource("/v0/live");
  for (const name of ["now", "status", "attempt"]) {
    source.addEventListener(name, (event) => tell(name, JSON.parse(event.data)));
  }
  source.onerror = () => tell("silent", { since: Date.now() });
  source.onopen = () => tell("silent", null);
}
