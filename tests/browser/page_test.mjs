// SPDX-License-Identifier: Apache-2.0
// What the page weighs, and what its policy lets it do.
import assert from "node:assert/strict";
import { readdirSync, statSync } from "node:fs";
import { join } from "node:path";
import { test } from "node:test";
import { evening, flows } from "./flows.mjs";

const MOST = 200e3; // bytes: the design's bound
const page = join(process.env.CRANKTRAP_BUILD, "page");
const flow = flows(() => ({ evening: evening(), gone: evening() }));

test("the whole page is smaller than 200 kB, as it is on disk", () => {
  const bytes = readdirSync(page).reduce((sum, name) => sum + statSync(join(page, name)).size, 0);
  assert.ok(bytes > 50e3 && bytes < MOST, `${bytes} bytes`);
});

flow("its policy lets in nothing but the logger's own files", "evening", "#/hookup", {}, async (browsed, logger, shown) => {
  const answer = await fetch(logger.url + "/");
  const policy = new Map(answer.headers.get("content-security-policy").split(";").map((one) => one.trim())
    .map((one) => [one.split(" ")[0], one.split(" ").slice(1).join(" ")]));
  assert.equal(policy.get("default-src"), "'none'");
  for (const name of ["script-src", "style-src", "connect-src"]) assert.equal(policy.get(name), "'self'", name);
  assert.ok(![...policy.values()].some((one) => /unsafe|\*|https?:/.test(one)), [...policy].join("; "));
  await browsed.locator(".wiring").waitFor();
  await browsed.evaluate(() => {
    const script = document.createElement("script");
    script.textContent = "globalThis.smuggled = true";
    document.body.append(script);
  });
  assert.equal(await browsed.evaluate(() => globalThis.smuggled), undefined);
  assert.ok(shown.complaints.length > 0 && shown.complaints.every((one) => /Content Security Policy/.test(one)), shown.complaints.join("\n"));
  shown.complaints.length = 0; // that was wanted
});

flow("nothing is asked for but of the logger, in any view", "evening", "", {}, async (browsed, logger) => {
  const asked = [];
  browsed.on("request", (request) => asked.push(request.url()));
  for (const [name, settled] of [["Night", ".title"], ["Now", ".lead"], ["Hookup", ".wiring"], ["Attempt", ".headline"]]) {
    await browsed.getByRole("link", { name, exact: true }).click();
    await browsed.locator(settled).first().waitFor();
  }
  assert.ok(asked.length > 8);
  assert.deepEqual(asked.filter((one) => new URL(one).origin !== logger.url), []);
});

flow("a logger that has gone is said at the top, and by whatever is asked of it", "gone", "#/now", {}, async (browsed, logger, shown) => {
  await browsed.locator(".lead").first().waitFor();
  await logger.stop();
  await browsed.getByText("The logger is silent; this page asks again by itself").waitFor();
  await browsed.getByRole("button", { name: "Keep it" }).click();
  await browsed.getByText("The logger does not answer. Is the phone in its network, and the logger on?").first().waitFor();
  assert.ok(shown.complaints.every((one) => /ERR_CONNECTION_REFUSED|ERR_INCOMPLETE_CHUNKED_ENCODING|ERR_EMPTY_RESPONSE|ERR_CONNECTION_RESET/.test(one)),
    shown.complaints.join("\n"));
  shown.complaints.length = 0;
});
