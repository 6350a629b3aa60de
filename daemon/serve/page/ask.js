// SPDX-License-Identifier: Apache-2.0
// Questions to the logger. Its errors come with a remedy: both are shown.
export class Refused extends Error {
  constructor(status, error, remedy, body) {
    super(remedy ? `${error} ${remedy}` : error);
    this.status = status;
    this.body = body;
  }
}

async function answer(path, options) {
  let response;
  try {
    response = await fetch("/v0/" + path, { credentials: "same-origin", cache: "no-cache", ...options });
  } catch (problem) {
    if (problem.name === "AbortError") throw problem;
    throw new Refused(0, "The logger does not answer.", "Is the phone in its network, and the logger on?");
  }
  const text = await response.text();
  let body = null;
  try {
    body = text ? JSON.parse(text) : {};
  } catch {
    throw new Refused(response.status, "The logger's answer could not be read.", text.slice(0, 120));
  }
  if (!response.ok) throw new Refused(response.status, body?.error ?? `The logger said ${response.status}.`, body?.remedy, body);
  return body;
}

export const get = (path, signal) => answer(path, { signal });

export function send(method, path, body, headers = {}) {
  const plain = typeof body === "string";
  return answer(path, {
    method,
    headers: { "Content-Type": plain ? "text/plain; charset=utf-8" : "application/json", ...headers },
    body: body === undefined ? undefined : plain ? body : JSON.stringify(body),
  });
}

/* A drawing of a snapshot (number) or of the ring (null). */
export function draw(number, from, to, columns, signal, channels) {
  const where = number === null ? "ring/draw" : `snapshots/${number}/draw`;
  const only = channels ? "&channels=" + channels.map(encodeURIComponent).join(",") : "";
  return get(`${where}?from_s=${from}&to_s=${to}&columns=${Math.round(columns)}${only}`, signal);
}
