// SPDX-License-Identifier: Apache-2.0
// A real engine on the page: a recording of its edges, played by the fake board to a real daemon, whole and with a feed
// that collapses laid over. What it shows is said by SOURCES.md, the list that comes with the recordings:
// "8.9 s of cranking that never catches, 152 -> 218 rpm".
import assert from "node:assert/strict";
import { join } from "node:path";
import { picture } from "./browser.mjs";
import { played } from "./daemon.mjs";
import { flows, judged } from "./flows.mjs";

const FILE = "edges-2-teeth-cam-no-start.csv";
const RPM = [152, 218];
const PACE = 1.5; // played faster: still a speed at which a starter may turn an engine
const COLLAPSE = "4.0,6.0"; // seconds of the recording
const data = process.env.CRANKTRAP_DATA;

const lead = (name, input, role, more = "") => `[channel ${name}]\nboard = logger\ninput = ${input}\nrole = ${role}\n${more}\n`;
const hookup = (device) => `[vehicle]
name = parcel van, bay 2
cylinders = 4
ground = battery-negative
[board logger]
driver = packet-serial
device = ${device}
[storage]
before = 2 s
after = 3 s
` + lead("battery", 0, "battery") + lead("crank-feed", 1, "feed", "nominal = 5") + lead("crank-return", 2, "return") +
  lead("crank-signal", 3, "signal") + "[sensor crank]\nkind = hall\nfeed = crank-feed\nreturn = crank-return\nsignal = crank-signal\npull-up = 5\nwheel = 2\n";

const play = (...more) => played(hookup, ["--edges", join(data, FILE), "--rate", "5000", "--pace", String(PACE), "--lead-in", "4", "--lead-out", "5", ...more])
  .then((logger) => judged(logger, 1));
const flow = flows(() => ({ whole: play(), collapsed: play("--feed-collapse", COLLAPSE) }),
  data ? false : "recordings of real engines: CRANKTRAP_DATA names no folder");

flow("an engine that never caught: every circuit that was watched held, and the page says so", "whole", "", {}, async (page, logger) => {
  await page.getByRole("heading", { level: 1, name: "Did not start." }).waitFor();
  await page.getByText("Every circuit that was watched held.").waitFor();
  const { rpm } = (await logger.get("/v0/snapshots/1/report")).attempts[0];
  assert.ok(rpm / PACE > RPM[0] - 1 && rpm / PACE < RPM[1] + 1, `${rpm}`);
  await page.locator(".lane .u-over").nth(3).waitFor();
  assert.equal(await page.locator(".lane .state.out").count(), 0);
  await page.getByLabel("from, s").fill("2");
  await page.getByLabel("to, s").fill("3");
  await page.getByLabel("to, s").press("Tab");
  await page.getByText(`${Math.round(rpm * 6)}° of the crank at ${Math.round(rpm)}`).waitFor();
  await picture(page, "recording-1440-light");
});

flow("a feed that collapses on the same engine is marked where it fell", "collapsed", "", { size: { width: 360, height: 740 }, touch: true }, async (page) => {
  await page.getByText(/^Crank sensor feed collapsed \d/).waitFor();
  await page.locator(".lane .state.out").first().waitFor();
  assert.equal(await page.locator(".lanes h3").first().textContent(), "Crank sensor");
  await picture(page, "recording-collapse-360-light");
});

flow("the ring of a real engine, down to single samples", "whole", "#/night", {}, async (page) => {
  await page.getByText(/ shown; /).waitFor();
  await page.getByRole("button", { name: "The failed one" }).click();
  await page.getByRole("group", { name: /^Strip of the night/ }).focus();
  for (let turn = 0; turn < 10; turn += 1) await page.keyboard.press("+");
  await page.getByText("every point is one sample").waitFor();
});
