// SPDX-License-Identifier: Apache-2.0
// The evening before, in real time: the leads live, the hookup, the check before leaving.
import assert from "node:assert/strict";
import { WIDTHS, overflow, picture, serious } from "./browser.mjs";
import { daemon, until } from "./daemon.mjs";
import { evening, flows } from "./flows.mjs";

// Four times as fast, an attempt every other minute of its own, and samples enough for any speed of its wheel.
const busy = () => daemon({ pace: 4, begins: null, hours: 0, fault: "none", "fault-attempt": null, attempts: 30, rate: 5000 });
const at = flows(() => ({ evening: evening(), busy: busy() }));
const flow = (name, route, options, act) => at(name, "evening", route, options, act);

// First of all: a moment asked for while another is being saved becomes part of that.
flow("a moment kept by hand has a sheet of its own, with what was said", "#/now", {}, async (page, logger) => {
  const kept = await fetch(logger.url + "/v0/keep", { method: "POST", headers: { "Content-Type": "application/json" },
    body: JSON.stringify({ text: "smelt of petrol", before_s: 1, after_s: 0.5 }) });
  const { number } = await kept.json();
  await until("it is whole", async () => (await logger.get(`/v0/snapshots/${number}?wait=30`)).finished, 60);
  await page.getByRole("link", { name: "Night", exact: true }).click();
  await page.locator(`a[href="#/attempt/${number}"]`).click();
  await page.locator(".headline h1").waitFor();
  await page.getByText("smelt of petrol").waitFor();
});

flow("now: the leads live, wiggled, a moment kept", "#/now", {}, async (page) => {
  const battery = page.locator(".lead").first();
  await battery.getByText("averaging meter").waitFor();
  const trace = () => battery.locator(".trace").getAttribute("d");
  const first = await trace();
  await page.waitForFunction((old) => document.querySelector(".lead .trace").getAttribute("d") !== old, first);
  await page.getByRole("button", { name: "Wiggle mode" }).click();
  await battery.getByText("lowest").waitFor();
  await page.getByRole("button", { name: "Latch anew" }).click();
  await page.getByText("The extremes begin anew.").waitFor();
  await page.getByLabel("What happened").fill("tried by hand");
  await page.getByRole("button", { name: "Keep it" }).click();
  await page.getByText(/^Kept as number \d+/).waitFor();
  await page.getByRole("link", { name: /^To number \d+$/ }).waitFor();
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

flow("hookup: saved as a copy, and again", "#/hookup", {}, async (page, logger, shown) => {
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
  // With a new hookup the logger begins anew: its stream to the page breaks, and the page asks again.
  shown.complaints = shown.complaints.filter((one) => !/ERR_INCOMPLETE_CHUNKED_ENCODING .*\/v0\/live$/.test(one));
});

flow("ready: the judgement on a phone sticks out nowhere", "#/ready", { size: WIDTHS.phone }, async (page) => {
  await page.getByRole("button", { name: "Judge it" }).click();
  await page.getByRole("heading", { name: "Not proven." }).waitFor();
  assert.ok(await overflow(page) <= 0, "wider than the window");
  assert.deepEqual(await serious(page), []);
  await picture(page, "ready-judged-360-light");
});

flow("now: the samples of the newest moment, of the lead that is chosen", "#/now", {}, async (page) => {
  const name = page.locator(".lanes .name");
  await name.getByText("signal (crank-signal)").waitFor();
  await page.getByLabel("Lead").selectOption("battery");
  await page.getByRole("button", { name: "10 s" }).click();
  await name.getByText("battery voltage").waitFor();
  const drawn = () => page.locator(".lanes canvas").evaluate((one) => one.toDataURL());
  const first = await drawn();
  await until("it moves on", async () => await drawn() !== first, 20);
});

flow("ready: judged without a test crank, and left", "#/ready", {}, async (page, logger) => {
  await page.getByRole("button", { name: "Judge it" }).click();
  await page.getByRole("heading", { name: "Not proven." }).waitFor();
  await page.getByRole("cell", { name: "crank-feed", exact: true }).waitFor();
  await page.getByRole("button", { name: "I am leaving now" }).click();
  await page.getByText("The night counts from now. Go home.").waitFor();
  assert.ok((await logger.get("/v0/night")).since_s > 0);
});

at("ready: with a test crank it can be fit to leave", "busy", "#/ready", {}, async (page, logger) => {
  const judge = page.getByRole("button", { name: "Judge it" });
  await judge.waitFor();
  const { elapsed_s: begun } = await logger.get("/v0/status");
  await until("a crank, its record, and the key off again", async () => {
    const { attempts } = await logger.get("/v0/attempts");
    return attempts.some((one) => one.verdict && one.elapsed_s > begun + 1) && (await logger.get("/v0/now")).phase === "key-off";
  }, 70);
  const judgement = page.locator(".steps section.part").first();
  await until("fit to leave", async () => { // on a busy computer not at the first try: samples may be lost meanwhile
    await judge.click();
    await page.getByText(/^With the test crank: it is number \d+\.$/).waitFor();
    return /^Fit to leave\./.test(await judgement.innerText());
  }, 40);
});

flow("a note without a snapshot", "#/now", {}, async (page, logger) => {
  await page.getByLabel("What happened").fill("moved the van");
  await page.getByRole("button", { name: "Only note it" }).click();
  await page.getByText("Noted in the record.").waitFor();
  const { elapsed_s: now } = await logger.get("/v0/status");
  const { marks } = await logger.get(`/v0/ring/marks?from_s=${now - 60}&to_s=${now + 1}`);
  assert.ok(marks.some((one) => one.text === "moved the van"));
});
