// SPDX-License-Identifier: Apache-2.0
// Every view, on a phone and wide, by day and by night: readable, reachable by keys, and its picture kept to be looked at.
import assert from "node:assert/strict";
import { WIDTHS, overflow, picture, serious, small, unreached } from "./browser.mjs";
import { evening, flows, night } from "./flows.mjs";

const VIEWS = {
  attempt: ["night", "#/attempt", ".lane .u-over"],
  night: ["night", "#/night", ".lane .u-over"],
  now: ["evening", "#/now", ".lane .u-over"],
  hookup: ["evening", "#/hookup", ".wiring"],
  ready: ["evening", "#/ready", ".steps"],
};
const flow = flows(() => ({ night: night(), evening: evening() }));

for (const [view, [which, route, settled]] of Object.entries(VIEWS)) {
  for (const [name, size] of Object.entries(WIDTHS)) {
    for (const scheme of ["light", "dark"]) {
      flow(`${view}, ${name}, ${scheme}: nothing sticks out, is too small or hard to read`, which, route, { size, scheme }, async (page) => {
        await page.locator(settled).first().waitFor();
        assert.ok(await overflow(page) <= 0, "wider than the window");
        assert.deepEqual(await small(page, 48), []);
        assert.deepEqual(await serious(page), []);
        await picture(page, `${view}-${size.width}-${scheme}`);
      });
    }
  }
  flow(`${view}: every key and field is reached by Tab, and seen when it is`, which, route, {}, async (page) => {
    await page.locator(settled).first().waitFor();
    assert.deepEqual(await unreached(page), []);
  });
}
