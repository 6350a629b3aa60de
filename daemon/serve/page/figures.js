// SPDX-License-Identifier: Apache-2.0
// Numbers as a person reads them: as many digits as mean something, the unit beside them.
const SPACE = "\u00a0";
const NOTHING = "not known";

const known = (value) => typeof value === "number" && Number.isFinite(value);

function digits(value, decimals) {
  return value.toFixed(decimals).replace(/^-(0(?:\.0*)?)$/, "$1").replace("-", "\u2212");
}

/* Volts, amperes and whatever else a channel is in. */
export function quantity(value, unit = "V") {
  if (!known(value)) return NOTHING;
  const size = Math.abs(value);
  return digits(value, size < 9.995 ? 2 : size < 99.95 ? 1 : 0) + (unit ? SPACE + unit : "");
}

/* "0.13 V to 4.98 V"; once where they read alike. */
export function range(low, high, unit = "V") {
  const [from, to] = [quantity(low, unit), quantity(high, unit)];
  return from === to ? from : `${from} to ${to}`;
}

/* A length of time in seconds, finer where it is short. */
export function span(seconds) {
  if (!known(seconds)) return NOTHING;
  const size = Math.abs(seconds);
  if (size < 0.0009995) return digits(seconds * 1e6, 0) + SPACE + "µs";
  if (size < 0.0995) return digits(seconds * 1e3, size < 0.00995 ? 2 : 1) + SPACE + "ms";
  if (size < 9.995) return digits(seconds, 2) + SPACE + "s";
  if (size < 99.95) return digits(seconds, 1) + SPACE + "s";
  return long(seconds);
}

/* Minutes, hours, days. */
export function long(seconds) {
  if (!known(seconds)) return NOTHING;
  const minutes = Math.round(seconds / 60);
  if (minutes < 1) return Math.round(seconds) + SPACE + "s";
  if (minutes < 60) return minutes + SPACE + "min";
  const hours = Math.floor(minutes / 60);
  if (hours < 48) return hours + SPACE + "h" + (minutes % 60 ? " " + (minutes % 60) + SPACE + "min" : "");
  return Math.round(hours / 24) + SPACE + "days";
}

/* The clock time of a date as the logger wrote it: its zone, never the phone's. */
export function clock(wall, seconds = false) {
  const match = /^\d{4}-\d\d-\d\d[ T](\d\d:\d\d)(:\d\d)?/.exec(wall ?? "");
  return match ? match[1] + (seconds ? match[2] ?? "" : "") : "time not known";
}

const MONTHS = ["January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December"];

/* "14 January 2026"; nothing where the date is not known. */
export function day(wall) {
  const match = /^(\d{4})-(\d\d)-(\d\d)/.exec(wall ?? "");
  return match ? `${Number(match[3])} ${MONTHS[Number(match[2]) - 1]} ${match[1]}` : "";
}

/* Seconds since 1970 of a date of the logger, taken as if its zone were UTC; null where there is none. */
export function instant(wall) {
  const match = /^(\d{4}-\d\d-\d\d)[ T](\d\d:\d\d:\d\d)([+-]\d\d):?(\d\d)?|^(\d{4}-\d\d-\d\d)[ T](\d\d:\d\d:\d\d)/.exec(wall ?? "");
  if (!match) return null;
  const text = match[1] ? `${match[1]}T${match[2]}${match[3]}:${match[4] ?? "00"}` : `${match[5]}T${match[6]}Z`;
  const result = Date.parse(text) / 1000;
  return Number.isFinite(result) ? result : null;
}

export function bytes(count) {
  if (!known(count)) return NOTHING;
  const steps = ["bytes", "kB", "MB", "GB", "TB"];
  let step = 0;
  while (count >= 1000 && step < steps.length - 1) {
    count /= 1000;
    step += 1;
  }
  return digits(count, step === 0 || count >= 100 ? 0 : 1) + SPACE + steps[step];
}

export function share(value) {
  return known(value) ? digits(value * 100, value < 0.0995 ? 1 : 0) + SPACE + "%" : NOTHING;
}

export function count(value) {
  return known(value) ? Math.round(value).toLocaleString("en").replaceAll(",", "\u202f") : NOTHING;
}
