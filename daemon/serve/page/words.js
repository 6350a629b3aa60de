// SPDX-License-Identifier: Apache-2.0
// Plain words for the names that the logger uses.
export const OUTCOMES = {
  "started": "Started",
  "started-then-stopped": "Started, then stopped",
  "did-not-start": "Did not start",
  "released-early": "Key let go early",
  "did-not-crank": "Did not crank",
  "unknown": "Outcome not known",
};

export const CERTAINTY = {
  "shown": ["Shown", "it stood on that wire, in this record"],
  "likely": ["Likely", "what was measured points there, other causes are possible"],
  "cannot-tell": ["Cannot tell", "the record does not decide it; this is the best candidate"],
};

/* The same where nothing was found. */
export const HELD = {
  "shown": ["Shown", "each was good on its wire while the starter turned"],
  "likely": ["Likely", "what was measured was good, but not all of it could be judged"],
  "cannot-tell": ["Cannot tell", "too little could be judged"],
};

export const PHASES = {
  "key-off": "key off",
  "key-on": "key on",
  "cranking": "cranking",
  "running": "running",
  "unknown": "phase not known",
};

export const STATES = {
  "watching": "Watching",
  "cranking": "Starter engaged now",
  "saving": "Saving an attempt",
  "waiting-for-board": "Waiting for a board",
  "not-watching": "Not watching",
};

export const ROLES = {
  "battery": "battery voltage",
  "feed": "feed",
  "return": "return",
  "signal": "signal",
  "starter-current": "starter current",
  "supply": "control unit's supply",
  "ground": "ground",
  "ignition": "run line",
  "start-request": "start request",
  "command": "injector or coil command",
  "reference": "known voltage",
  "switch": "push-button",
  "other": "other",
};

const SENTENCES = {
  "nothing-found": () => "Every circuit that was watched held",
  "lead-suspect": (v) => `A lead of the logger is suspect: ${v.channel ?? "which, is not known"}`,
  "crank-voltage-low": () => "Battery voltage was too low while cranking",
  "feed-follows-battery": (v) => `${sensor(v)} feed followed the battery down`,
  "slow-crank": () => "The starter turned the engine too slowly",
  "no-rotation": () => "The engine did not turn",
  "ground-rise": () => "Engine or control-unit ground rose",
  "supply-collapse": () => "The control unit's supply collapsed",
  "feed-collapse": (v) => `${sensor(v)} feed collapsed`,
  "feed-off-level": (v) => `${sensor(v)} feed stood off its level`,
  "return-rise": (v) => `${sensor(v)} return rose`,
  "return-open": (v) => `${sensor(v)} return was open`,
  "signal-lost": (v) => `${sensor(v)} signal was lost`,
  "signal-gaps": (v) => `${sensor(v)} signal missed pulses`,
  "signal-weak": (v) => `${sensor(v)} signal was too weak`,
  "signal-noise": (v) => `${sensor(v)} signal showed extra pulses`,
  "out-of-step": () => "Crank and cam signals disagreed",
  "no-command": () => "No injector or coil command came",
};

export const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

function sensor(verdict) {
  const name = verdict.sensor ?? verdict.channel;
  return name ? capital(name) + (verdict.sensor ? " sensor" : "") : "A sensor's";
}

/* What went wrong, as the beginning of a sentence. */
export function fault(verdict) {
  const sentence = SENTENCES[verdict.fault];
  return sentence ? sentence(verdict) : capital(String(verdict.fault ?? "").replaceAll("-", " "));
}

export const outcome = (name) => OUTCOMES[name ?? "unknown"] ?? capital(String(name));
export const phase = (name) => PHASES[name] ?? name;
