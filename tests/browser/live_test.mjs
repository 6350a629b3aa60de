// SPDX-License-Identifier: Apache-2.0
// The evening before, in real time: the leads live, the hookup, the check before leaving; and every view looked at.
import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { WIDTHS, launch, open, overflow, picture, serious, small } from "./browser.mjs";
import { daemon, until } from "./daemon.mjs";

let logger;
let night;
let browser;

before(async () => {
  logger = await daemon({ pace: "real", begins: null, hours: 0, fault: "none", "fault-attempt": null });
  night = await daemon({ hours: 1, attempts: 5, "fault-attempt": 4 });
  browser = await launch();
  await until("five attempts with their verdicts", async () => {
    const { attempts } = await night.get("/v0/attempts");
    return attempts.length === 5 && attempts.every((one) => one.verdict);
  }, 90);
}, { timeout: 120000 });

after(async () => {
  await browser?.close();
  await logger?.stop();
  await night?.stop();
});

function flow(name, route, options, act, forgiven = []) {
  test(name, { timeout: 60000 }, async () => {
    const shown = await open(browser, logger.url, route, options);
    try {
      await act(shown.page);
      assert.deepEqual(shown.complaints.filter((one) => !forgiven.some((each) => each.test(one))), []);
    } finally {
      await shown.close();
    }
  });
}

flow("now: the leads live, wiggled, a moment kept", "#/now", {}, async (page) => {
  const battery = page.locator(".lead").first();
  await battery.getByText("averaging meter").waitFor();
  const trace = () => battery.locator("path").getAttribute("d");
  const first = await trace();
  await page.waitForFunction((old) => document.querySelector(".lead path").getAttribute("d") !== old, first);
  await page.getByRole("button", { name: "Wiggle mode" }).click();
  await battery.getByText("lowest").waitFor();
  await page.getByRole("button", { name: "Latch anew" }).click();
  await page.getByText("The extremes begin anew.").waitFor();
  await page.getByLabel("What happened").fill("tried by hand");
  await page.getByRole("button", { name: "Keep it" }).click();
  await page.getByText(/^Kept as number \d+/).waitFor();
});

flow("hookup: drawn and judged, a wrong text told line by line", "#/hookup", {}, async (page) => {
  const drawing = page.getByRole("img", { name: /^Wiring: input 0 is on battery/ });
  await drawing.getByText(/^good: 1\d\.\d/).waitFor();
  const text = page.getByLabel("Text of the hookup");
  await text.fill((await text.inputValue()).replace("divider = 5.7", "divider = minus"));
  await page.getByRole("button", { name: "Check" }).click();
  await page.getByText(/^1 thing is wrong/).waitFor();
  await page.locator(".problems button").first().click();
  assert.match(await text.evaluate((one) => one.value.slice(one.selectionStart, one.selectionEnd)), /divider = minus/);
});

flow("hookup: saved as a copy, and again", "#/hookup", {}, async (page) => {
  const text = page.getByLabel("Text of the hookup");
  for (const words of ["sulks at dawn", "sulks in the rain"]) {
    await text.fill((await text.inputValue()).replace(/^complaint = .*$/m, `complaint = ${words}`));
    await page.getByRole("button", { name: "Save as a copy" }).click();
    await page.getByText(/^Saved; it/).waitFor();
    await until("the logger has taken it", async () => {
      const kept = await logger.get("/v0/hookup");
      return kept.copy && kept.text.includes(words);
    }, 20);
    await page.getByRole("button", { name: "Check" }).click();
    await page.getByText("Nothing is wrong with it.").waitFor();
  }
});

flow("ready: judged without a test crank, and left", "#/ready", {}, async (page) => {
  await page.getByRole("button", { name: "Judge it" }).click();
  await page.getByRole("heading", { name: "Not proven." }).waitFor();
  await page.getByRole("cell", { name: "crank-feed, V" }).waitFor();
  await page.getByRole("button", { name: "I am leaving now" }).click();
  await page.getByText("The night counts from now. Go home.").waitFor();
  assert.ok((await logger.get("/v0/night")).since_s > 0);
});

flow("a note without a snapshot", "#/now", {}, async (page) => {
  await page.getByLabel("What happened").fill("moved the van");
  await page.getByRole("button", { name: "Only note it" }).click();
  await page.getByText("Noted in the record.").waitFor();
  const { elapsed_s: now } = await logger.get("/v0/status");
  const { marks } = await logger.get(`/v0/ring/marks?from_s=${now - 60}&to_s=${now + 1}`);
  assert.ok(marks.some((one) => one.text === "moved the van"));
});

const ROUTES = { attempt: "#/attempt", night: "#/night", now: "#/now", hookup: "#/hookup", ready: "#/ready" };
const SETTLED = { attempt: ".lane .u-over", night: ".lane .u-over", now: ".lead path", hookup: ".wiring", ready: ".steps" };

for (const [view, route] of Object.entries(ROUTES)) {
  for (const [name, size] of Object.entries(WIDTHS)) {
    for (const scheme of ["light", "dark"]) {
      test(`${view}, ${name}, ${scheme}: nothing sticks out, is too small or hard to read`, { timeout: 60000 }, async () => {
        const shown = await open(browser, night.url, route, { size, scheme });
        try {
          await shown.page.locator(SETTLED[view]).first().waitFor();
          assert.ok(await overflow(shown.page) <= 0, "wider than the window");
          assert.deepEqual(await small(shown.page, 48), []);
          assert.deepEqual(await serious(shown.page), []);
          await picture(shown.page, `${view}-${size.width}-${scheme}`);
          assert.deepEqual(shown.complaints, []);
        } finally {
          await shown.close();
        }
      });
    }
  }
}
