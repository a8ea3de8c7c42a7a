// How the page looks at three widths in both colour schemes: no serious finding of the
// accessibility checker, nothing wider than the screen, pictures to look at.

import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { test } from "./made-up.js";
import { blockInSight, command, expect, openPage, snapshotOf } from "./station.js";

const AXE = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const SHOTS = "../../target/shots";

/** Something in every part of the page: two talks, a block's details, all lists open. */
async function fill(page, url) {
  const { ports, talks } = await snapshotOf(url);
  const port = ports.find(({ name }) => name === "VHF").port;
  for (const to of ["QM3BAR-9", "QB4COV-9"]) {
    if (talks.some((talk) => talk.remote === to && talk.state !== "ended")) continue;
    const { answer } = await command(url, { do: "open_talk", port, to, via: [] });
    await command(url, { do: "say", talk: answer.talk, text: "Is the ferry on time? A bag for the doctor waits here." });
  }
  await (await blockInSight(page)).click();
  await page.locator(".block-details").waitFor();
  for (const words of ["What the shapes mean", "Say to all"]) await page.getByText(words, { exact: true }).click();
  await page.locator("#call-to").fill("?");
  await page.locator("#call-to").press("Enter");
  await page.locator("#open-talk-wrong").waitFor();
}

async function findings(page) {
  await page.evaluate(AXE);
  const { violations } = await page.evaluate(() =>
    window.axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] }));
  return violations.map(({ id, impact, nodes }) => {
    const places = nodes.slice(0, 3).map((node) => `${node.html.slice(0, 160)}\n      ${node.failureSummary}`);
    return { impact, words: `${impact} ${id} (${nodes.length}):\n    ${places.join("\n    ")}` };
  });
}

/** What sticks out to the right, if the page can be scrolled there. */
function tooWide(page) {
  return page.evaluate(() => {
    const { scrollWidth, clientWidth } = document.documentElement;
    if (scrollWidth <= clientWidth) return [];
    const out = [...document.querySelectorAll("body *")].filter(
      (e) => e.getBoundingClientRect().right > clientWidth && !e.closest(".strip-picture"));
    return [`${scrollWidth} pixels`, ...out.map((e) => e.outerHTML.slice(0, 120))];
  });
}

for (const width of [360, 800, 1400]) {
  for (const colorScheme of ["light", "dark"]) {
    test.describe(`${width} pixels, ${colorScheme}`, () => {
      test.use({ viewport: { width, height: 900 }, colorScheme });

      test("nothing is inaccessible or too wide", async ({ page, station }) => {
        test.setTimeout(150_000);
        await openPage(page, station.url);
        await page.screenshot({ path: `${SHOTS}/${width}-${colorScheme}-first.png` });
        await fill(page, station.url);
        await page.screenshot({ path: `${SHOTS}/${width}-${colorScheme}.png`, fullPage: true });
        const found = await findings(page);
        expect(found.filter(({ impact }) => impact !== "minor").map(({ words }) => words)).toEqual([]);
        expect(await tooWide(page)).toEqual([]);
        await page.locator("#main").focus();
        await page.keyboard.press("?");
        expect((await findings(page)).map(({ words }) => words)).toEqual([]);
        await page.screenshot({ path: `${SHOTS}/${width}-${colorScheme}-keys.png` });
      });
    });
  }
}

for (const width of [360, 800, 1400]) {
  for (const colorScheme of ["light", "dark"]) {
    test.describe(`stops, gates and alarms at ${width} pixels, ${colorScheme}`, () => {
      test.use({ viewport: { width, height: 900 }, colorScheme });

      test("nothing is inaccessible or too wide", async ({ page, feed }) => {
        const shot = (name) => page.screenshot({ path: `${SHOTS}/${width}-${colorScheme}-${name}.png` });
        await openPage(page, feed.url);
        await shot("stopped");
        await page.locator("#strip-1 .gate > summary").click();
        await page.locator("#strip-1 .gate").scrollIntoViewIfNeeded();
        await shot("gate");
        await page.getByRole("button", { name: "Stop VHF" }).click();
        await page.locator(".stop-result.done").waitFor();
        expect((await findings(page)).map(({ words }) => words)).toEqual([]);
        expect(await tooWide(page)).toEqual([]);
        await page.getByRole("button", { name: /^Start VHF again/ }).click();
        await page.locator("#start .main-act").waitFor();
        expect((await findings(page)).map(({ words }) => words)).toEqual([]);
        await shot("start");
      });
    });
  }
}

for (const width of [360, 800, 1400]) {
  test.describe(`a guess at ${width} pixels`, () => {
    test.use({ viewport: { width, height: 900 } });

    test("is set apart from what was read", async ({ page, feed }) => {
      await openPage(page, feed.url);
      const block = page.locator('.block.unreadable[aria-label*="too weak"]').first();
      await block.waitFor({ state: "attached", timeout: 30_000 });
      await block.click();
      const guess = page.getByRole("region", { name: "Guess" });
      await expect(guess).toContainText("Guess, not a frame.");
      await expect(guess.locator("s")).toHaveCount(3);
      expect((await findings(page)).map(({ words }) => words)).toEqual([]);
      expect(await tooWide(page)).toEqual([]);
      await page.screenshot({ path: `${SHOTS}/${width}-guess.png`, fullPage: true });
    });
  });
}

test("everything that moves by itself keeps still for those who ask for it", async ({ page, station }) => {
  await page.emulateMedia({ reducedMotion: "reduce" });
  await openPage(page, station.url);
  const moves = () => page.evaluate(() => new Promise((resolve) => {
    let steps = 0;
    const began = performance.now();
    const observer = new MutationObserver((changes) => (steps += changes.length));
    for (const layer of document.querySelectorAll(".strip-layer")) {
      observer.observe(layer, { attributes: true, attributeFilter: ["style"] });
    }
    // A busy machine may come back to it late.
    setTimeout(() => resolve({ steps, seconds: (performance.now() - began) / 1000 }), 2500);
  }));
  // Two strips, one step a second each; about forty a second without the request.
  const { steps, seconds } = await moves();
  expect(steps).toBeLessThanOrEqual(2 * seconds + 3);
});
