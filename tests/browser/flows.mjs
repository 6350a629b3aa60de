// SPDX-License-Identifier: Apache-2.0
// What every file of flows needs: its daemons, one browser, and tests that end with nothing complained of.
import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { launch, open } from "./browser.mjs";
import { daemon, until } from "./daemon.mjs";

/* `logger`, once it has judged so many attempts. */
export async function judged(logger, number) {
  try {
    await until("every attempt with its verdict", async () => {
      const { attempts } = await logger.get("/v0/attempts");
      return attempts.length === number && attempts.every((one) => one.verdict);
    }, 400); // a night of twelve hours on a busy computer
  } catch (problem) {
    await logger.stop();
    throw problem;
  }
  return logger;
}

/* A night that somebody left: five attempts, unless said otherwise, of which the fourth fails; all of them judged. */
export async function night(options = {}) {
  const wanted = { hours: 1, attempts: 5, "fault-attempt": 4, ...options };
  const logger = await daemon(wanted);
  await fetch(logger.url + "/v0/night", { method: "POST" });
  return judged(logger, wanted.attempts);
}

/* The evening before, in real time, with nothing wrong. */
export const evening = () => daemon({ pace: "real", begins: null, hours: 0, fault: "none", "fault-attempt": null });

/*
 * Starts `start()` {name: promise of a daemon} before the tests of this file and stops them after. `flow(name, which,
 * route, options, act)` is a test of one route at the daemon called `which`; `act(page, logger, shown)`. `skip`: why
 * none of it is run, or false.
 */
export function flows(start, skip = false) {
  const loggers = {};
  let browser;
  if (!skip) before(async () => {
    const begun = Object.entries(start()).map(async ([name, logger]) => { loggers[name] = await logger; });
    browser = await launch();
    await Promise.all(begun);
  }, { timeout: 450000 });
  after(async () => {
    await browser?.close();
    await Promise.all(Object.values(loggers).map((one) => one?.stop()));
  });
  return (name, which, route, options, act) => test(name, { timeout: 150000, skip }, async () => {
    const shown = await open(browser, loggers[which].url, route, options);
    try {
      await act(shown.page, loggers[which], shown);
      assert.deepEqual(shown.complaints, []);
    } finally {
      await shown.close();
    }
  });
}
