// SPDX-License-Identifier: Apache-2.0
// A browser whose every complaint and every request is kept.
import { createRequire } from "node:module";
import { mkdirSync, readFileSync } from "node:fs";
import { join } from "node:path";

const build = process.env.CRANKTRAP_BUILD;
const require = createRequire(join(build, "browser-parts", "package.json"));
const { chromium } = require("playwright-core");
const axeSource = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");

export const WIDTHS = { phone: { width: 360, height: 740 }, wide: { width: 1440, height: 900 } };

export const launch = () =>
  chromium.launch({ executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium", args: ["--no-sandbox", "--disable-dev-shm-usage"] });

/* {page, complaints, close}: `complaints` has console errors, exceptions and requests to elsewhere. */
export async function open(browser, url, route, { size = WIDTHS.wide, scheme = "light", touch = false } = {}) {
  const context = await browser.newContext({ viewport: size, colorScheme: scheme, hasTouch: touch, reducedMotion: "reduce" });
  const page = await context.newPage();
  page.setDefaultTimeout(20000);
  const complaints = [];
  page.on("console", (message) => {
    if (["error", "warning"].includes(message.type())) complaints.push(`${message.text()} ${message.location().url ?? ""}`);
  });
  page.on("pageerror", (problem) => complaints.push(String(problem.stack ?? problem)));
  page.on("request", (request) => {
    if (!request.url().startsWith(url + "/")) complaints.push(`a request to elsewhere: ${request.url()}`);
  });
  await page.goto(url + "/" + route);
  return { page, complaints, close: () => context.close() };
}

/* What axe-core finds serious or worse, as lines. */
export async function serious(page) {
  await page.evaluate(axeSource);
  const result = await page.evaluate(() => globalThis.axe.run(document, { resultTypes: ["violations"] }));
  return result.violations.filter((one) => ["serious", "critical"].includes(one.impact))
    .flatMap((one) => one.nodes.map((node) => `${one.id}: ${node.target.join(" ")}: ${node.failureSummary}`));
}

/* Things to press that are smaller than a cold thumb, as lines. */
export function small(page, least) {
  return page.evaluate((size) => [...document.querySelectorAll("button, a.key, .ways a, .rows a, input, select, textarea, summary")]
    .filter((one) => one.checkVisibility())
    .map((one) => [one, one.getBoundingClientRect()])
    .filter(([, box]) => box.width < size || box.height < size)
    .map(([one, box]) => `${one.textContent || one.id}: ${box.width} x ${box.height}`), least);
}

/* Two fingers on `box` of the page, both moving: apart from `apart[0]` to `apart[1]` pixels, about a middle that moves by `shift`. */
export async function twoFingers(page, box, apart, shift = 0) {
  const session = await page.context().newCDPSession(page);
  const y = box.y + box.height / 2;
  const points = (share) => {
    const half = (apart[0] + share * (apart[1] - apart[0])) / 2;
    const middle = box.x + box.width / 2 + share * shift;
    return [{ x: middle - half, y, id: 1 }, { x: middle + half, y, id: 2 }];
  };
  await session.send("Input.dispatchTouchEvent", { type: "touchStart", touchPoints: points(0) });
  for (let share = 0.1; share < 1.05; share += 0.1) {
    await session.send("Input.dispatchTouchEvent", { type: "touchMove", touchPoints: points(share) });
  }
  await session.send("Input.dispatchTouchEvent", { type: "touchEnd", touchPoints: [] });
}

const KEYS = "a[href], button, input, select, textarea, summary";

/* What can be pressed or filled in but not reached by Tab, or has no outline there, as lines. */
export async function unreached(page) {
  await page.evaluate((keys) => {
    globalThis.wanted = new Set([...document.querySelectorAll(keys)].filter((one) => one.checkVisibility() && !one.disabled));
    document.activeElement?.blur();
  }, KEYS);
  const most = 20 + await page.evaluate(() => globalThis.wanted.size * 2);
  for (let turn = 0; turn < most; turn += 1) {
    await page.keyboard.press("Tab");
    const left = await page.evaluate(() => {
      const here = document.activeElement;
      if (getComputedStyle(here).outlineStyle !== "none") globalThis.wanted.delete(here);
      return globalThis.wanted.size;
    });
    if (left === 0) return [];
  }
  return page.evaluate(() => [...globalThis.wanted].filter((one) => one.isConnected).map((one) => one.textContent || one.id));
}

export const overflow = (page) => page.evaluate(() => document.documentElement.scrollWidth - innerWidth);

/* The whole view in a window as tall as it is: what is fixed to the window's foot covers nothing. */
export async function picture(page, name) {
  const folder = join(build, "screenshots");
  mkdirSync(folder, { recursive: true });
  const size = page.viewportSize();
  const height = await page.evaluate(() => document.documentElement.scrollHeight);
  await page.setViewportSize({ width: size.width, height: Math.max(size.height, height) });
  await page.screenshot({ path: join(folder, name + ".png") });
  await page.setViewportSize(size);
}
