// The door of the page: the password, the guest, and the way out again.

import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { expect, openPage, startFeed, test } from "./made-up.js";

const AXE = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const PASSWORD = "seagulls over Barra";
const SHOTS = "../../target/shots";

async function findings(page) {
  // From a string, as the page's own rules forbid scripts that are not files of its own.
  await page.evaluate(AXE);
  const { violations } = await page.evaluate(() =>
    window.axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] }));
  return violations.map(({ id, nodes }) => `${id}: ${nodes[0].html} ${nodes[0].failureSummary}`);
}

test.describe("the door", () => {
  test.use({ allowed: /status of (401|403|429)/ });

  test("by keyboard alone: a wrong password is said, the right one opens, logging out shuts", async ({ page }) => {
    const feed = await startFeed(PASSWORD);
    await page.goto(feed.url);
    await expect(page).toHaveTitle("Log in · Dunlin");
    await expect(page.getByLabel("Password")).toBeFocused();
    await page.keyboard.type("seagulls over barra");
    await page.keyboard.press("Enter");
    await expect(page.getByRole("alert")).toContainText("this is not the password");
    expect(await findings(page)).toEqual([]);
    await page.keyboard.type(PASSWORD);
    await page.keyboard.press("Enter");
    await page.locator('.link[data-state="live"]').waitFor();
    const cookies = await page.context().cookies();
    expect(cookies.map(({ httpOnly, sameSite }) => [httpOnly, sameSite])).toEqual([[true, "Strict"]]);
    await page.getByRole("button", { name: "Log out" }).press("Enter");
    await expect(page).toHaveTitle("Log in · Dunlin");
    await page.goto(feed.url);
    await expect(page).toHaveURL(/log-in/);
    await feed.stop();
  });

  test("a log-in that ends while the page is open leads back to the door", async ({ page }) => {
    const feed = await startFeed(PASSWORD);
    await page.goto(feed.url);
    await page.getByLabel("Password").fill(PASSWORD);
    await page.keyboard.press("Enter");
    await page.locator('.link[data-state="live"]').waitFor();
    // Elsewhere the same log-in is ended.
    await page.request.post(new URL("/api/log-out", feed.url).href, { data: {} });
    await expect(page).toHaveTitle("Log in · Dunlin", { timeout: 15_000 });
    await feed.stop();
  });

  test("a guest sees everything and is offered no command", async ({ page }) => {
    const feed = await startFeed(PASSWORD, "guest");
    await openPage(page, feed.url);
    await expect(page.locator(".stop-bar")).toContainText("You look on as a guest");
    await page.locator("#strip-1 .gate > summary").click();
    await expect(page.locator("#strip-1 .conditions li")).toHaveCount(11);
    for (const name of [/^Stop/, /^Start/, "Call", "Talk", "Identify now", /^Send/, /^Cut/]) {
      await expect(page.getByRole("button", { name })).toHaveCount(0);
    }
    const answer = await page.request.post(new URL("/api/command", feed.url).href, { data: { do: "stop", port: null, by: "" } });
    expect([answer.status(), (await answer.json()).refused]).toEqual([403, expect.stringContaining("guests see everything")]);
    expect(await findings(page)).toEqual([]);
    await page.screenshot({ path: `${SHOTS}/guest.png` });
    await page.getByRole("link", { name: "Log in" }).click();
    await expect(page.getByRole("link", { name: "Look on as a guest" })).toBeVisible();
    await feed.stop();
  });

  for (const [width, colorScheme] of [[360, "light"], [800, "dark"], [1400, "light"]]) {
    test(`the log-in page at ${width} pixels, ${colorScheme}`, async ({ page }) => {
      const feed = await startFeed(PASSWORD, "guest");
      await page.setViewportSize({ width, height: 800 });
      await page.emulateMedia({ colorScheme });
      await page.goto(new URL("/log-in", feed.url).href);
      await expect(page.getByRole("link", { name: "Look on as a guest" })).toBeVisible();
      expect(await findings(page)).toEqual([]);
      expect(await page.evaluate(() => document.documentElement.scrollWidth)).toBeLessThanOrEqual(width);
      await page.screenshot({ path: `${SHOTS}/log-in-${width}-${colorScheme}.png` });
      await feed.stop();
    });
  }
});
