// SPDX-License-Identifier: Apache-2.0
// The morning after: a simulated night of five attempts of which the fourth fails, in the browser.
import assert from "node:assert/strict";
import { twoFingers } from "./browser.mjs";
import { flows, night } from "./flows.mjs";

const FAILED = 4;
const at = flows(() => ({ night: night({ "fault-attempt": FAILED }) }));
const flow = (name, route, options, act) => at(name, "night", route, options, act);

const traces = (page) => page.locator(".lane .u-over");

flow("it lands on the attempt that failed, and says what the report says", "", {}, async (page, logger) => {
  await page.getByRole("heading", { level: 1, name: "Did not start." }).waitFor();
  const { verdict } = await logger.get(`/v0/snapshots/${FAILED}/report`);
  assert.equal(verdict.fault, "feed-collapse");
  await page.getByText(verdict.observed).waitFor();
  const what = await page.locator(".what").textContent();
  assert.match(what, /^Crank sensor feed collapsed \d[\d.]*\u00a0m?s in; battery held [\d.]+\u00a0V\.$/);
  assert.match(await page.locator(".when").textContent(), new RegExp(`^Attempt ${FAILED} of 5, \\d\\d:\\d\\d`));
  await page.getByText("Shown", { exact: true }).waitFor();
  for (const text of [...verdict.because, ...verdict.not_tested]) await page.getByText(text, { exact: true }).waitFor();
  for (const text of verdict.next) await page.getByText(text.replace("cranktrap now --wiggle", "Now, wiggle mode"), { exact: true }).waitFor();
});

flow("two taps on the traces read the stretch", "", {}, async (page) => {
  await traces(page).nth(3).waitFor();
  await traces(page).first().click({ position: { x: 60, y: 20 } });
  await page.getByText("Now tap where it ends.").waitFor();
  await traces(page).first().click({ position: { x: 300, y: 20 } });
  const said = page.getByRole("region", { name: "A stretch, read out" });
  await said.getByText(/° of the crank at \d+/).waitFor();
  await said.getByText(/averaging meter would read/).first().waitFor();
  assert.ok(Number(await page.getByLabel("from, s").inputValue()) < Number(await page.getByLabel("to, s").inputValue()));
  await said.getByRole("button", { name: "Clear" }).click();
  assert.equal(await page.getByLabel("from, s").inputValue(), "");
});

flow("a stretch typed instead", "", {}, async (page) => {
  await traces(page).nth(3).waitFor();
  await page.getByLabel("from, s").fill("-0.2");
  await page.getByLabel("to, s").fill("0.4");
  await page.getByLabel("to, s").press("Tab");
  await page.getByText(/^600.0 ms|^0\.60\s+s/).waitFor();
});

flow("the traces: other stretches, closer, without the good one", "", {}, async (page) => {
  await traces(page).nth(3).waitFor();
  const both = await page.locator(".lane").count();
  await page.getByRole("button", { name: "Good attempt beneath" }).click();
  await page.waitForFunction((number) => document.querySelectorAll(".lane").length === number / 2, both);
  for (const name of ["The attempt", "All of it", "Closer", "Later", "Earlier", "Wider", "The moment"]) {
    await page.getByRole("button", { name, exact: true }).click();
  }
  assert.equal(await page.getByRole("button", { name: "The moment" }).getAttribute("aria-pressed"), "true");
});

flow("reviewed, held and noted: the logger keeps it", "#/attempt/2", {}, async (page, logger) => {
  await page.getByLabel("Notes").fill("wiped the connector");
  await page.getByRole("button", { name: "Save the notes" }).click();
  await page.getByText("Saved.").waitFor();
  await page.getByRole("button", { name: "Hold" }).click();
  await page.getByText("Noted.").waitFor();
  const one = (await logger.get("/v0/attempts")).attempts.find((each) => each.number === 2);
  assert.equal(one.note, "wiped the connector");
  assert.equal(one.hold, true);
});

flow("the customer's sheet and the record can be had", "", {}, async (page) => {
  const sheet = await page.request.get(await page.getByRole("link", { name: /PDF/ }).evaluate((one) => one.href));
  assert.equal((await sheet.body()).subarray(0, 5).toString(), "%PDF-");
  const record = await page.request.get(await page.getByRole("link", { name: "The record itself" }).evaluate((one) => one.href));
  assert.match(record.headers()["content-disposition"], /attachment/);
});

flow("delete asks first, and then it is gone", "#/attempt/5", {}, async (page, logger) => {
  await page.getByRole("button", { name: "Delete" }).click();
  await page.getByRole("button", { name: "No, keep it" }).click();
  await page.getByRole("button", { name: "Delete" }).click();
  await page.getByRole("button", { name: /^Yes, delete number 5/ }).click();
  await page.getByRole("heading", { level: 1, name: "Did not start." }).waitFor();
  assert.equal((await logger.get("/v0/attempts")).attempts.length, 4);
});

const shownText = (page) => page.getByText(/ shown; /);

flow("the night: closer by key down to single samples", "#/night", {}, async (page) => {
  await shownText(page).waitFor();
  await page.getByRole("button", { name: "The failed one" }).click();
  await page.getByText(/^15 s shown/).waitFor();
  await page.getByRole("group", { name: /^Strip of the night/ }).focus();
  for (let turn = 0; turn < 8; turn += 1) await page.keyboard.press("+");
  await page.getByText("every point is one sample").waitFor();
  await page.keyboard.press("Home");
  await page.getByText(/Closer than two minutes/).waitFor();
});

flow("the night: by wheel, and from there to the attempt", "#/night", {}, async (page) => {
  await shownText(page).waitFor();
  const before = await shownText(page).textContent();
  const box = await traces(page).first().boundingBox();
  await page.mouse.move(box.x + box.width / 2, box.y + 30);
  await page.mouse.wheel(0, -600);
  await page.waitForFunction((text) => !document.body.textContent.includes(text), before);
  await page.getByRole("link", { name: /Did not start/ }).last().click();
  await page.getByRole("heading", { level: 1, name: "Did not start." }).waitFor();
});

const PHONE = { size: { width: 360, height: 740 }, touch: true };

flow("by touch on a phone: through the ways", "", PHONE, async (page) => {
  await traces(page).nth(1).waitFor();
  await traces(page).first().tap({ position: { x: 40, y: 20 } });
  await page.getByText("Now tap where it ends.").waitFor();
  for (const [name, title] of [["Night", /^The night/], ["Now", "Now"], ["Hookup", "Hookup"], ["Attempt", "Did not start."]]) {
    await page.getByRole("link", { name, exact: true }).tap();
    await page.getByRole("heading", { level: 1, name: title }).waitFor();
  }
});

flow("two fingers on the night: closer, and along it", "#/night", PHONE, async (page) => {
  await shownText(page).waitFor();
  const before = await shownText(page).textContent();
  const box = async () => traces(page).first().boundingBox();
  await twoFingers(page, await box(), [60, 200]);
  await page.waitForFunction((text) => !document.body.textContent.includes(text), before);
  const labels = () => page.locator(".strip").screenshot();
  const first = await labels();
  await twoFingers(page, await box(), [100, 100], 90);
  await page.waitForTimeout(500);
  assert.notDeepEqual(await labels(), first);
});

flow("two fingers on an attempt's traces: closer; one finger still reads", "", PHONE, async (page) => {
  await traces(page).nth(1).waitFor();
  await traces(page).first().scrollIntoViewIfNeeded();
  await twoFingers(page, await traces(page).first().boundingBox(), [60, 200]);
  await page.waitForFunction(() => !document.querySelector(".three [aria-pressed=true]"));
  assert.equal(await page.getByLabel("from, s").inputValue(), "");
  await traces(page).first().tap({ position: { x: 40, y: 20 } });
  await page.getByText("Now tap where it ends.").waitFor();
  await traces(page).first().tap({ position: { x: 200, y: 20 } });
  const said = page.getByRole("region", { name: "A stretch, read out" });
  await said.getByText(/° of the crank at \d+/).waitFor();
  assert.equal(await said.locator("dt").first().textContent(), "crank-feed");
  // What was tapped is read out beside it, not below all other traces.
  const [place, box] = [await said.boundingBox(), await traces(page).first().boundingBox()];
  assert.ok(place.y < 740 && place.y + place.height <= 740 && box.y < place.y, "beside what was tapped");
});

flow("side by side with the good attempt: what changed, then every check", "", {}, async (page, logger) => {
  await page.getByRole("link", { name: "Side by side with the good one" }).click();
  const compared = await logger.get(`/v0/snapshots/${FAILED}/compare`);
  await page.getByRole("heading", { name: /^\d\d:\d\d beside \d\d:\d\d$/ }).waitFor();
  const changed = compared.readings.filter((one) => one.changed);
  assert.ok(changed.length > 0);
  for (const one of changed) await page.getByRole("cell", { name: one.reading, exact: true }).waitFor();
  const rows = page.getByRole("region", { name: "Every check" }).locator("tbody tr");
  assert.equal(await rows.count(), compared.checks.length);
  assert.match(await rows.first().textContent(), /^crank-feed, feed level, cranking.*out of limits.*in limits$/);
  await page.getByLabel("Beside").selectOption("1");
  await page.waitForURL(new RegExp(`#/compare/${FAILED}/1$`));
  await page.getByRole("heading", { name: /beside/ }).waitFor();
});

flow("a phone's clock, offered to a logger that is far off: a mark", "#/now", {}, async (page, logger) => {
  await page.getByText(/^It is .* off this phone's\.$/).waitFor();
  await page.getByRole("button", { name: "Tell it this phone's time" }).click();
  await page.getByText(/^Noted as a mark\. It is for display only/).waitFor();
  const { elapsed_s: now } = await logger.get("/v0/status");
  const { marks } = await logger.get(`/v0/ring/marks?from_s=0&to_s=${now + 60}`);
  assert.ok(marks.some((one) => one.name === "clock"), marks.map((one) => one.name).join(" "));
});

flow("from failed to failed, where there are more", "", {}, async (page) => {
  await page.route("**/v0/attempts", async (route) => {
    const answer = await route.fetch();
    const list = await answer.json();
    for (const one of list.attempts) if (one.number < 3) Object.assign(one, { failed: true, outcome: "did-not-start" });
    await route.fulfill({ response: answer, json: list });
  });
  await page.reload();
  await page.getByRole("link", { name: "Previous failed" }).click();
  await page.waitForURL(/#\/attempt\/2$/);
  await page.getByRole("link", { name: "Next failed" }).click();
  await page.waitForURL(new RegExp(`#/attempt/${FAILED}$`));
  await page.getByRole("link", { name: "Next failed" }).waitFor({ state: "detached" });
  await page.unrouteAll({ behavior: "ignoreErrors" });
});

const ofANumberThatIsGone = /404 \(Not Found\)/; // what a browser itself writes about it

flow("a snapshot that goes while it is shown: said in words", "#/attempt/1", {}, async (page, logger, shown) => {
  await traces(page).nth(1).waitFor();
  await fetch(logger.url + "/v0/snapshots/1", { method: "DELETE" });
  await page.getByRole("button", { name: "Closer" }).click();
  await page.locator(".part > p[role=status]").filter({ hasText: /\w/ }).waitFor();
  await page.reload();
  await page.getByText("There is no attempt 1: it may have been deleted.").waitFor();
  shown.complaints = shown.complaints.filter((one) => !ofANumberThatIsGone.test(one));
});

flow("by keys alone: to the night, to the failed attempt, to its notes", "", {}, async (page) => {
  await page.getByRole("heading", { level: 1, name: "Did not start." }).waitFor();
  const press = async (wanted) => {
    for (let turn = 0; turn < 80; turn += 1) {
      await page.keyboard.press("Tab");
      const here = await page.evaluate(() => {
        const one = document.activeElement;
        return one?.matches("a, button, textarea") ? one.textContent || one.id : "";
      });
      if (wanted.test(here)) return;
    }
    assert.fail(`no key reaches ${wanted}`);
  };
  await press(/^Night$/);
  await page.keyboard.press("Enter");
  await page.getByRole("heading", { level: 1, name: /^The night/ }).waitFor();
  await press(/Did not start/);
  await page.keyboard.press("Enter");
  await page.getByRole("heading", { level: 1, name: "Did not start." }).waitFor();
  await page.getByLabel("Notes").waitFor();
  await press(/^note$/);
  await page.keyboard.type("read by keys");
  await press(/^Save the notes$/);
  await page.keyboard.press("Space");
  await page.getByText("Saved.").waitFor();
});
