// SPDX-License-Identifier: Apache-2.0
// Every view, on a phone and wide, by day and by night: readable, reachable by keys, and its picture kept to be looked at.
import assert from "node:assert/strict";
import { WIDTHS, overflow, picture, serious, small, unreached } from "./browser.mjs";
import { evening, flows, night } from "./flows.mjs";

const VIEWS = {
  attempt: ["night", "#/attempt", ".lane .u-over"],
  compare: ["night", "#/compare/8", ".differs"],
  night: ["night", "#/night", ".lane .u-over"],
  now: ["evening", "#/now", ".lane .u-over"],
  hookup: ["evening", "#/hookup", ".wiring"],
  ready: ["evening", "#/ready", ".steps"],
};
const flow = flows(() => ({ night: night({ hours: 12, attempts: 11, "fault-attempt": 8 }), evening: evening() }));

async function fits(page, name) {
  assert.ok(await overflow(page) <= 0, "wider than the window");
  assert.deepEqual(await small(page, 48), []);
  assert.deepEqual(await serious(page), []);
  await picture(page, name);
}

for (const [view, [which, route, settled]] of Object.entries(VIEWS)) {
  for (const [name, size] of Object.entries(WIDTHS)) {
    for (const scheme of ["light", "dark"]) {
      flow(`${view}, ${name}, ${scheme}: nothing sticks out, is too small or hard to read`, which, route, { size, scheme }, async (page) => {
        await page.locator(settled).first().waitFor();
        await fits(page, `${view}-${size.width}-${scheme}`);
      });
    }
  }
  flow(`${view}: every key and field is reached by Tab, and seen when it is`, which, route, {}, async (page) => {
    await page.locator(settled).first().waitFor();
    assert.deepEqual(await unreached(page), []);
  });
}

flow("where nothing was recorded yet it says what to do", "evening", "", { size: WIDTHS.phone }, async (page) => {
  await page.route("**/v0/attempts", async (route) => {
    const answer = await route.fetch();
    await route.fulfill({ response: answer, json: { ...await answer.json(), attempts: [] } });
  });
  await page.reload();
  await page.getByRole("heading", { level: 1, name: "Nothing yet." }).waitFor();
  await fits(page, "nothing-360-light");
  await page.unrouteAll({ behavior: "ignoreErrors" });
});

flow("a night of twelve hours: the whole strip, then every lead of one second, each point a sample", "night", "#/night", {}, async (page) => {
  await page.getByText(/^12\sh shown; /).waitFor();
  await page.getByRole("button", { name: "The failed one" }).click();
  await page.getByText(/^15 s shown/).waitFor();
  assert.equal(await page.locator(".lane").count(), 6);
  for (let turn = 0; turn < 4; turn += 1) await page.getByRole("button", { name: "Closer" }).click();
  await page.getByText("every point is one sample").waitFor();
  await picture(page, "night-close-1440-light");
});
