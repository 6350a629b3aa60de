// SPDX-License-Identifier: Apache-2.0
// Wheel, two fingers and keys on traces; each of them also has a button.
/* `page`: the wheel is the page's own, unless with Ctrl (and as a touchpad's pinch, which comes as that). */
export function gestures(where, { zoom, move, home, left, right, page = false }, signal) {
  const share = (x) => {
    const box = where.getBoundingClientRect();
    return Math.min(1, Math.max(0, (x - box.left - left) / (box.width - left - right)));
  };
  where.addEventListener("wheel", (event) => {
    if (page && !event.ctrlKey) return;
    event.preventDefault();
    if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) move((event.deltaX || event.deltaY) / 600);
    else zoom(Math.exp(event.deltaY / 400), share(event.clientX));
  }, { passive: false, signal });
  where.addEventListener("keydown", (event) => {
    const act = { ArrowLeft: () => move(-0.25), ArrowRight: () => move(0.25), "+": () => zoom(0.5), "=": () => zoom(0.5),
      ArrowUp: () => zoom(0.5), "-": () => zoom(2), ArrowDown: () => zoom(2), Home: home }[event.key];
    if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    act();
  }, { signal });
  pinch(where, zoom, move, share, signal);
}

function pinch(where, zoom, move, share, signal) {
  const fingers = new Map();
  const spread = () => {
    const [a, b] = [...fingers.values()];
    return { apart: Math.max(20, Math.abs(a - b)), middle: (a + b) / 2 };
  };
  let before = null;
  where.addEventListener("pointerdown", (event) => {
    if (event.pointerType !== "touch") return;
    fingers.set(event.pointerId, event.clientX);
    before = fingers.size === 2 ? spread() : null;
  }, { signal });
  where.addEventListener("pointermove", (event) => {
    if (!fingers.has(event.pointerId)) return;
    fingers.set(event.pointerId, event.clientX);
    if (fingers.size !== 2 || !before) return;
    const now = spread();
    if (Math.abs(now.apart - before.apart) > 6) zoom(before.apart / now.apart, share(now.middle));
    else if (Math.abs(now.middle - before.middle) > 6) move((before.middle - now.middle) / where.clientWidth);
    else return;
    before = now;
  }, { signal });
  for (const name of ["pointerup", "pointercancel"]) {
    where.addEventListener(name, (event) => {
      fingers.delete(event.pointerId);
      before = null;
    }, { signal });
  }
}

/* A function that does `act` once, a moment after the last call; `where` tells what went wrong. */
export function later(act, where, signal) {
  let waiting = 0;
  return () => {
    clearTimeout(waiting);
    waiting = setTimeout(() => act().catch((problem) => {
      if (!signal.aborted) where.textContent = problem.message;
    }), 40);
  };
}
