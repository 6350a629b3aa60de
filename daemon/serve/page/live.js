// SPDX-License-Identifier: Apache-2.0
// What the logger tells by itself: events "now", "status", "attempt" and, from here, "silent".
const bus = new EventTarget();
const latest = {};
const AGAIN_MS = 5000;

/* `act` on each event of that name until `signal` aborts; at once where one has come already. */
export function listen(name, act, signal) {
  bus.addEventListener(name, (event) => act(event.detail), { signal });
  if (latest[name]) act(latest[name]);
}

function tell(name, detail) {
  latest[name] = detail;
  bus.dispatchEvent(new CustomEvent(name, { detail }));
}

export function open() {
  const source = new EventSource("/v0/live");
  for (const name of ["now", "status", "attempt"]) {
    source.addEventListener(name, (event) => tell(name, JSON.parse(event.data)));
  }
  source.onopen = () => tell("silent", null);
  source.onerror = () => {
    tell("silent", { since: Date.now() });
    // A browser asks again by itself after a broken stream, not after a refused one.
    if (source.readyState === EventSource.CLOSED) setTimeout(open, AGAIN_MS);
  };
}
