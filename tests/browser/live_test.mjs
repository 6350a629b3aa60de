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
