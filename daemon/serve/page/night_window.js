// SPDX-License-Identifier: Apache-2.0
// The stretch of the night that is shown, in elapsed seconds: moved and scaled, never beyond its ends.
export const LEAST = 0.01;

export function clamp(window, whole) {
  const length = Math.min(Math.max(window.to - window.from, LEAST), whole.to - whole.from);
  const from = Math.min(Math.max(window.from, whole.from), whole.to - length);
  return { from, to: from + length };
}

/* Scaled by `factor` (below 1: closer) about the place `share` of the width from the left. */
export function scaled(window, whole, factor, share = 0.5) {
  const at = window.from + share * (window.to - window.from);
  const length = Math.max((window.to - window.from) * factor, LEAST);
  return clamp({ from: at - share * length, to: at + (1 - share) * length }, whole);
}

export function moved(window, whole, share) {
  const shift = share * (window.to - window.from);
  return clamp({ from: window.from + shift, to: window.to + shift }, whole);
}

/* Clock time of an elapsed second, by the two that the logger gave together. */
export function clockOf(at, elapsed, instant, length) {
  if (instant === null) return `${Math.round(at)} s`;
  const date = new Date((instant + (at - elapsed)) * 1000);
  const text = date.toISOString();
  if (length > 600) return text.slice(11, 16);
  if (length > 8) return text.slice(11, 19);
  const decimals = length > 0.8 ? 1 : length > 0.08 ? 2 : 3;
  return text.slice(14, 20) + text.slice(20, 20 + decimals);
}
