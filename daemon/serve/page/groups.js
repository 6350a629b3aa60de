// SPDX-License-Identifier: Apache-2.0
// Channels by what they are on: the supply first, then sensor by sensor, then the rest.
import { ROLES } from "./words.js";

const ORDER = ["battery", "starter-current", "supply", "ground", "ignition", "start-request",
  "feed", "return", "signal", "command", "reference", "switch", "other"];
const SUPPLY = ORDER.slice(0, 6);

const nameOf = (channel) => channel.name ?? channel.channel;
const rank = (channel) => ORDER.indexOf(channel.role);

/* The sensor of a channel: from the hookup's sensors, else from how it is called. */
export function sensorOf(channel, sensors) {
  const name = nameOf(channel);
  const owners = (sensors ?? []).filter((one) => [one.feed, one.return, one.signal].includes(name));
  if (owners.length > 1) return "shared";
  if (owners.length === 1) return owners[0].name;
  const match = /^(.+)-(?:feed|return|signal)$/.exec(name);
  return match && ["feed", "return", "signal"].includes(channel.role) ? match[1] : null;
}

/* [{title, channels}], each in the order feed, return, signal. */
export function groups(channels, sensors) {
  const result = new Map();
  const place = (title, channel) => {
    if (!result.has(title)) result.set(title, []);
    result.get(title).push(channel);
  };
  const sorted = [...channels].sort((a, b) => rank(a) - rank(b));
  for (const channel of sorted.filter((one) => SUPPLY.includes(one.role))) place("Supply, starter", channel);
  for (const channel of channels) {
    if (SUPPLY.includes(channel.role)) continue;
    const sensor = sensorOf(channel, sensors);
    place(sensor === "shared" ? "Shared by sensors" : sensor ? sensor.charAt(0).toUpperCase() + sensor.slice(1) + " sensor"
      : "Other leads", channel);
  }
  return [...result].map(([title, list]) => ({ title, channels: list.sort((a, b) => rank(a) - rank(b)) }));
}

/* What a channel is, written out: its role, and its name where that says more. */
export function titleOf(channel, grouped = true) {
  const role = ROLES[channel.role] ?? channel.role;
  const name = nameOf(channel);
  if (name === channel.role) return role;
  return grouped && name.endsWith("-" + channel.role) ? role : `${role} (${name})`;
}
